"""One module a command, each with ``add_arguments(parser)`` and ``run(args) -> int``."""
