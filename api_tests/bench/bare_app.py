"""The least that FastAPI and SQLModel can be: one table, one question to the database. Starts by itself on PORT."""

import os

import uvicorn
from fastapi import FastAPI
from sqlmodel import Field, Session, SQLModel, create_engine, select


class Thing(SQLModel, table=True):
    id: int | None = Field(default=None, primary_key=True)
    name: str


engine = create_engine(os.environ["BARE_DATABASE_URL"])
app = FastAPI()


@app.get("/health/ready")
def ready() -> dict[str, str]:
    with Session(engine) as session:
        session.exec(select(Thing).limit(1)).first()
    return {"status": "ready"}


if __name__ == "__main__":
    SQLModel.metadata.create_all(engine)
    uvicorn.run(app, host="127.0.0.1", port=int(os.environ["PORT"]), log_config=None, access_log=False)
