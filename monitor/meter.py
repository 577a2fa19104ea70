"""A level meter in text."""

from __future__ import annotations

LOWEST_DBFS = -80.0  # below, a 16-bit microphone's own noise

_WIDTH = 40


def meter(level_dbfs: float) -> str:
    """A bar for a level, full scale being full.

    Examples
    --------
    >>> meter(-40.0)
    '[####################                    ]  -40 dBFS'
    >>> meter(float("nan"))
    '[                                        ]  no sound'
    """
    if level_dbfs != level_dbfs:
        return f"[{' ' * _WIDTH}]  no sound"
    part = min(max(1 - level_dbfs / LOWEST_DBFS, 0.0), 1.0)
    return f"[{'#' * round(part * _WIDTH):{_WIDTH}}] {level_dbfs:4.0f} dBFS"
