"""The child process that computes: tasks in, answers out, until its parent closes the pipe or is gone."""

import os
import pickle
import signal
import sys
import traceback

HEADER = 8


def main() -> None:
    """Answer one task after another; errors are told, not raised."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's; it closes the pipe
    os.nice(5)  # recording a run goes first
    given, told = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing else may write into the answers
    while len(head := given.read(HEADER)) == HEADER:
        body = given.read(int.from_bytes(head, "little"))
        try:
            from service.core import tasks

            task, arguments = pickle.loads(body)
            answer = (True, tasks.TASKS[task](*arguments))
        except Exception:
            answer = (False, traceback.format_exc(limit=8))
        sent = pickle.dumps(answer, protocol=5)
        told.write(len(sent).to_bytes(HEADER, "little") + sent)
        told.flush()


if __name__ == "__main__":
    main()
