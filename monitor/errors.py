"""One small error tree. Every message is one line: what is wrong, where, and how to mend it.

SpindlebellError
├── InputError (also ValueError)       exit status 2: arguments, job, baseline or recording
│   ├── JobError
│   ├── BaselineError
│   ├── RecordingError
│   └── DeviceError                    no such microphone or line, or a package for it is missing
├── DeviceStuck                        the sound system or the board answers no more
├── ResetRefused                       a hold cannot be reset now
└── EvidenceError (also OSError)       exit status 1: the evidence cannot be read or written
    └── NoEvidence (also InputError)   exit status 2: what was given as evidence is none, or is damaged
"""


def one_line(message: str) -> str:
    r"""A message on one line; what cannot be printed, and could command a terminal, is escaped.

    >>> one_line("two\nlines, a bell \a")
    'two lines, a bell \\x07'
    """
    words = " ".join(message.split())
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in words)


LONGEST_MESSAGE = 500
"""Characters of a message, some five lines of a terminal: a file may hold a key or a value of any length."""


def in_brief(message: str) -> str:
    """A message on one line that can be read; of a longer one the middle is left out.

    What is wrong stands at its beginning, the mend at its end.

    >>> len(in_brief("x" * 100_000))
    500
    """
    line = one_line(message)
    if len(line) <= LONGEST_MESSAGE:
        return line
    kept = LONGEST_MESSAGE - 5
    return f"{line[: kept // 2].rstrip()} ... {line[-(kept - kept // 2) :].lstrip()}"


class SpindlebellError(Exception):
    """Base of everything this project raises on purpose."""


class InputError(SpindlebellError, ValueError):
    """Something the person gave cannot be used; the message says how to mend it."""


class JobError(InputError):
    """The job file cannot be used."""


class BaselineError(InputError):
    """The baseline file, or the recordings given to learn one, cannot be used."""


class RecordingError(InputError):
    """A WAV or FLAC file cannot be used."""


class DeviceError(InputError):
    """A microphone or a line cannot be used: it is not there, or what drives it is not installed."""


class DeviceStuck(SpindlebellError):
    """A device hangs within its driver, and this process cannot get it back; the next one may."""


class EvidenceError(SpindlebellError, OSError):
    """The evidence directory cannot be opened or written."""


class NoEvidence(EvidenceError, InputError):
    """What was given as an evidence directory is none of ours, or what stands in it is damaged."""


class ResetRefused(SpindlebellError):
    """The hold cannot be reset now; the message says why and what to do first."""
