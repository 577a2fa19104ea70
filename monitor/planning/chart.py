"""A plan as a picture: how full the flutes become over the depth of the hole (SVG)."""

from __future__ import annotations

from html import escape
from math import ceil, floor, log10

from monitor.planning.plan import Plan
from monitor.quantities import MM_PER_INCH

_WIDTH, _HEIGHT = 860, 420
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 24, 64, 60
_BAND, _FULL, _OVER, _INK, _FAINT, _GRID = "#9ecae1", "#08519c", "#b2182b", "#222222", "#777777", "#e5e5e5"


def plan_svg(plan: Plan, fill_limit: float) -> str:
    """Return the picture: one tooth a peck, the band of what is not known, the limit and where flutes end."""
    job = plan.job
    unit_mm = MM_PER_INCH if job.units == "in" else 1.0
    fullest = max(peck.fill for peck in plan.pecks)
    top = ceil(5.0 * max(1.1, min(max(peck.fill_high for peck in plan.pecks), 2.0 * fullest))) / 5.0

    def x(mm: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * mm / job.depth_mm

    def y(fill: float) -> float:
        return _HEIGHT - _BOTTOM - (_HEIGHT - _TOP - _BOTTOM) * min(fill, top) / top

    def tooth(from_mm: float, to_mm: float, fill: float, colour: str, opacity: float, title: str) -> str:
        points = ((from_mm, 0.0), (to_mm, fill), (to_mm, 0.0))
        return (
            f'<polygon points="{" ".join(f"{x(mm):.1f},{y(share):.1f}" for mm, share in points)}" '
            f'fill="{colour}" fill-opacity="{opacity}"><title>{title}</title></polygon>'
        )

    trapping = [peck for peck in plan.pecks if peck.trapped_mm > 0]
    title = f"{job.name}: how full the flutes are"
    parts = [
        _text(_LEFT, 26, title, size=16),
        _text(_LEFT, 46, "reckoned, not measured; pale: what is not known of chips and flutes", _FAINT),
        *(_line(_LEFT, y(share), _WIDTH - _RIGHT, y(share), _GRID) for share in _ticks(top)),
        *(_text(_LEFT - 8, y(share) + 4, f"{share:.0%}", anchor="end") for share in _ticks(top)),
        *(
            _text(x(value * unit_mm), _HEIGHT - _BOTTOM + 22, f"{value:g}", anchor="middle")
            for value in _ticks(job.depth_mm / unit_mm)
        ),
        _text(_WIDTH / 2, _HEIGHT - 14, f"depth, {job.units} (marks: the drill comes out)", anchor="middle"),
        *(tooth(p.to_mm - p.trapped_mm, p.to_mm, p.fill_high, _BAND, 0.5, "") for p in trapping),
        *(
            tooth(
                p.to_mm - p.trapped_mm, p.to_mm, p.fill, _OVER if p.fill > 1.0 else _FULL, 0.75,
                f"peck {p.number}: {p.fill:.0%}",
            )
            for p in trapping
        ),
        *(_line(x(peck.to_mm), y(0), x(peck.to_mm), y(0) + 7, _INK) for peck in plan.pecks),
        *_level(y(1.0), "full", _OVER, ""),
        *(_level(y(fill_limit), f"limit {fill_limit:.0%}", _INK, "6 4") if fill_limit < 0.98 else []),
    ]  # fmt: skip
    if job.flute_length_mm < job.depth_mm:
        at = x(job.flute_length_mm)
        parts += [
            _line(at, _TOP, at, y(0), _FAINT, "2 3"),
            _text(at - 6, _TOP + 12, "flutes' length: chips leave", _FAINT, anchor="end"),
            _text(at + 6, _TOP + 12, "chips are trapped", _FAINT),
        ]
    parts.append(_line(_LEFT, y(0), _WIDTH - _RIGHT, y(0), _INK))
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
            f'font-family="sans-serif" role="img" aria-label="{escape(title)}">',
            f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="white"/>',
            *parts,
            "</svg>\n",
        ]
    )


def _text(x: float, y: float, text: str, colour: str = _INK, anchor: str = "start", size: int = 13) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" text-anchor="{anchor}" font-size="{size}">'
        f"{escape(text)}</text>"
    )


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"{dashed}/>'


def _level(y: float, text: str, colour: str, dashes: str) -> list[str]:
    return [_line(_LEFT, y, _WIDTH - _RIGHT, y, colour, dashes), _text(_LEFT + 6, y - 5, text, colour)]


def _ticks(top: float) -> list[float]:
    """Round values from 0 to ``top``, four to nine of them.

    >>> _ticks(1.2), _ticks(110.0)
    ([0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2], [0.0, 20.0, 40.0, 60.0, 80.0, 100.0])
    """
    power = 10.0 ** floor(log10(top))
    step = next(share * power for share in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0) if top / (share * power) <= 8.0)
    return [round(step * i, 10) for i in range(floor(top / step + 1e-9) + 1)]
