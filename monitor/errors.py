"""One small error tree. Every message is one line: what is wrong, where, and how to mend it.

SpindlebellError
├── InputError (also ValueError)       exit status 2: arguments, job, baseline or recording
│   ├── JobError
│   ├── BaselineError
│   ├── RecordingError
│   └── DeviceError                    no such microphone or line, or a package for it is missing
├── DeviceStuck                        the sound system or the board answers no more
├── ResetRefused                       a hold cannot be reset now
└── EvidenceError (also OSError)       exit status 1: the evidence directory cannot be written
"""


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


class ResetRefused(SpindlebellError):
    """The hold cannot be reset now; the message says why and what to do first."""
