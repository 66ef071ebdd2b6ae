"""Where the core is known to fall short of a law. A minimal case stands marked until its name is taken out of `OPEN`."""

import pytest

OPEN: set[str] = set()


def minimal(name: str) -> pytest.MarkDecorator:
    """The mark of a minimal case; strict, so that a mended gap asks for its name to go."""
    return pytest.mark.xfail(name in OPEN, reason=f"known gap: {name}", strict=True)
