"""What every test shares."""

from hypothesis import settings

# No time limit on an example: how fast the machine is that runs the tests is not what they test.
settings.register_profile("spindlebell", deadline=None, print_blob=True)
settings.load_profile("spindlebell")
