"""Log lines as JSON: one object a line, with the facts that the record carries; never a token or a body."""

import json
import logging
import sys
import time


class JsonLines(logging.Formatter):
    """A record as one JSON object."""

    def format(self, record: logging.LogRecord) -> str:
        """Time (UTC), level, logger, message, facts, and a traceback if there is one."""
        at = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created))
        line = {
            "at": f"{at}.{int(record.msecs):03d}Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
            **getattr(record, "facts", {}),
        }
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def install() -> None:
    """Everything goes to stderr as JSON; libraries only when something is wrong."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    logging.getLogger("stillroom").setLevel(logging.INFO)
