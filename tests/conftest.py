"""What every test shares."""

import signal

from hypothesis import settings

# No time limit on an example: how fast the machine is that runs the tests is not what they test.
settings.register_profile("spindlebell", deadline=None, print_blob=True)
settings.load_profile("spindlebell")

# Where a shell has started the tests in the background SIGINT is ignored, and in every program that they
# start: those that are ended by Ctrl-C would then never end.
signal.signal(signal.SIGINT, signal.default_int_handler)
