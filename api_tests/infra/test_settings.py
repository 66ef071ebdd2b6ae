"""Settings: what the environment may say, and the one line when it may not."""

import pkgutil
import subprocess
import sys

import pytest

import service
from service.settings import Settings, WrongSetting


def test_nothing_said_is_the_defaults() -> None:
    settings = Settings.from_environment({})
    assert settings == Settings()
    assert (settings.database_url, settings.host, settings.port) == ("sqlite:///var/stillroom.db", "127.0.0.1", 8000)
    assert (settings.seed, settings.owner_token, settings.metrics) == ("demo", None, False)


def test_everything_can_be_said() -> None:
    said = {
        "STILLROOM_DATABASE_URL": "postgresql://me:secret@db/stillroom",
        "STILLROOM_HOST": "0.0.0.0",
        "STILLROOM_PORT": "9000",
        "STILLROOM_SEED": "none",
        "STILLROOM_OWNER_TOKEN": "a-long-enough-token",
        "STILLROOM_METRICS": "1",
        "STILLROOM_QUEUE_LIMIT": "5",
    }
    settings = Settings.from_environment(said)
    assert (settings.port, settings.seed, settings.metrics, settings.queue_limit) == (9000, "none", True, 5)
    assert not settings.sqlite


def test_an_empty_value_is_nothing_said() -> None:
    assert Settings.from_environment({"STILLROOM_OWNER_TOKEN": "", "STILLROOM_PORT": " "}) == Settings()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("PORT", "x"),
        ("PORT", "65536"),
        ("PORT", "-1"),
        ("PORT", "٣"),
        ("SEED", "full"),
        ("METRICS", "maybe"),
        ("OWNER_TOKEN", "short"),
        ("OWNER_TOKEN", "two words here"),
        ("DATABASE_URL", "sqlite://"),
        ("DATABASE_URL", "sqlite:///:memory:"),
        ("DATABASE_URL", "mysql://me:hidden@db/x"),
        ("QUEUE_LIMIT", "0"),
        ("DATABASE_THREADS", "1"),
    ],
)
def test_a_wrong_value_is_one_line_that_names_the_setting(name: str, value: str) -> None:
    with pytest.raises(WrongSetting) as told:
        Settings.from_environment({f"STILLROOM_{name}": value})
    said = str(told.value)
    assert said.startswith(f"STILLROOM_{name}")
    assert "\n" not in said
    assert "hidden" not in said


def test_nothing_runs_at_import() -> None:
    names = [one.name for one in pkgutil.walk_packages(service.__path__, "service.")]
    wanted = [one for one in names if not one.endswith((".env", ".__main__"))]
    program = f"import importlib\nfor name in {wanted!r}: importlib.import_module(name)"
    done = subprocess.run([sys.executable, "-W", "error", "-c", program], env={}, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
