"""``spindlebell plan``: the pecks before cutting, better ones, and programs in and out."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.cli import EXIT_DONE
from monitor.commands.options import quantity
from monitor.errors import InputError
from monitor.job import Job, load_job, parse_job, plane_contradictions
from monitor.manual import Manual
from monitor.planning.cautions import cautions
from monitor.planning.chart import plan_svg
from monitor.planning.draft import draft_program
from monitor.planning.flutes import flute_fill, peck_for_fill
from monitor.planning.job_text import job_text, program_text, with_hole
from monitor.planning.materials import load_materials
from monitor.planning.pecking import (
    LONGEST_PECK_DIAMETERS,
    USUAL_FILL_LIMIT,
    Limits,
    NoSchedule,
    constant_pecks,
    deepest_pecks,
    fastest_pecks,
    least_fill_for,
)
from monitor.planning.plan import Plan, plan_hole, planes_of
from monitor.planning.plan_text import (
    caution_lines,
    material_lines,
    pecks_text,
    plan_json,
    plan_lines,
    schedule_line,
    wrapped,
)
from monitor.planning.program import read_program
from monitor.planning.program_holes import Drilling, ProgramHole, find_hole
from monitor.planning.program_state import Note, ReadingRules, Remark
from monitor.quantities import MM_PER_INCH, Dimension, format_count, format_length
from monitor.schedule import POINT_DIAMETERS
from monitor.whole_file import write_whole

# Option -> field of the job, its dimension, and what it says; each stands for a key of the job file.
_SAID = {
    "--rapid": ("rapid_mm_min", Dimension.FEED_RATE, "machine.rapid: rate of rapid moves along Z"),
    "--acceleration": ("acceleration_mm_s2", Dimension.ACCELERATION, "machine.acceleration of those moves"),
    "--droop": (
        "droop_rpm_per_nm",
        Dimension.DROOP,
        "machine.droop: fall of the spindle's speed with torque",
    ),
    "--reload": ("reload_s", Dimension.TIME, "machine.reload: time to change a blank"),
    "--clearance": (
        "clearance_mm",
        Dimension.LENGTH,
        "hole.clearance: height over the face at start and end",
    ),
    "--retract": ("retract_mm", Dimension.LENGTH, "hole.retract: height over the face between pecks"),
    "--approach": (
        "approach_mm",
        Dimension.LENGTH,
        "hole.approach: height over the last depth to rapid in to",
    ),
    "--dwell": ("dwell_s", Dimension.TIME, "hole.dwell: waiting of each peck"),
}
_INCREMENT_MM = {"mm": 0.1, "in": 0.005 * MM_PER_INCH}
_WORTH_A_PECK = 0.05  # of fill: less than is known of it, so a person may well trade it for a peck


MANUAL = Manual(
    about="""
    Reckons a job before it is cut: for each peck its depth, how full it leaves the flutes and between what
    bounds, whether its chips can leave, its time, torque, power and sag, and what to mend or mind. Then it
    names the deepest safe pecks and the fastest schedule under a fill limit. All of it is reckoned, not
    measured.

    It also writes and reads drilling programs (ISO 6983 blocks: G0, G1, G73, G81 to G83). Whatever of a
    program was not understood, or could be read otherwise, is listed.

    Every quantity carries its unit: "0.1 in", "2 mm", "60 in/min", "150 rpm/Nm".
    """,
    examples=[
        ("spindlebell plan job.toml", "The job as it stands, and better pecks for it:"),
        (
            'spindlebell plan job.toml --fill-limit "60 %" --use fastest --job-out faster.toml',
            "The fastest schedule that leaves the flutes 60 % full at most, as a new job file:",
        ),
        ("spindlebell plan --materials", "The materials table, with the source of every value:"),
        ("spindlebell plan job.toml --from-program old.nc", "A job with the pecks of a program:"),
    ],
    files={
        "JOB.toml": "the job",
        "FILE.nc": "with --program: the pecks of one hole as blocks; with --from-program: a program to read",
        "FILE.svg": "with --plot: flute fill over depth",
    },
    caution="A written program is a draft: check every block at the machine, first without a blank.",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("job", nargs="?", metavar="JOB.toml", help="the job to plan")
    parser.add_argument(
        "--materials",
        nargs="?",
        const="",
        metavar="FILE.toml",
        help="materials of your own (default: the table that comes with it); without a file or without a "
        "job: print the table, with sources",
    )
    parser.add_argument("--json", action="store_true", help="print the plan as JSON: mm, s, N m, W")
    parser.add_argument("--plot", metavar="FILE.svg", help="draw flute fill over depth (default: not drawn)")
    pecks = parser.add_argument_group("pecks")
    pecks.add_argument(
        "--use",
        choices=("job", "deepest", "constant", "fastest"),
        default="job",
        help="whose pecks the table, plot and files have: the job's (default), the deepest safe ones, equal "
        "ones as of a canned cycle, or those of the fastest schedule",
    )
    pecks.add_argument("--fill-limit", metavar="PERCENT", help='how full flutes may be (default: "66.7 %%")')
    pecks.add_argument(
        "--bulking",
        type=float,
        metavar="X",
        help="packed over solid chip volume, as measured (default: the material's)",
    )
    pecks.add_argument("--increment", metavar="LENGTH", help="step of depths (default: 0.1 mm or 0.005 in)")
    pecks.add_argument(
        "--least-peck", metavar="LENGTH", help="shortest peck wanted of the fastest schedule (default: any)"
    )
    pecks.add_argument(
        "--most-pecks",
        type=int,
        metavar="N",
        help="most pecks wanted of the fastest schedule (default: any number)",
    )
    pecks.add_argument(
        "--longest-peck",
        metavar="LENGTH",
        help=f"longest peck allowed (default: {LONGEST_PECK_DIAMETERS:g} drill diameters)",
    )
    said = parser.add_argument_group(
        "what the job file may say as well",
        'Each with its unit: "60 in/min", "200 mm/s2", "150 rpm/Nm", "20 s", "2 mm". An option here '
        "overrules the file.",
    )
    for option, (_, dimension, text) in _SAID.items():
        said.add_argument(option, metavar=dimension.name, help=f"{text} (default: the job's)")
    files = parser.add_argument_group("programs (ISO 6983) and job files")
    files.add_argument(
        "--program",
        metavar="FILE",
        help="write the blocks of one hole: a draft, to be checked (default: none)",
    )
    files.add_argument(
        "--from-program",
        metavar="FILE",
        help="read pecks, feed and speed from this program (default: the job's)",
    )
    files.add_argument(
        "--job-out", metavar="FILE.toml", help="write the job, with the pecks in use (default: none)"
    )
    files.add_argument(
        "--units",
        choices=("mm", "in"),
        help="of a program without G20 or G21 (default: not known, and it is told)",
    )
    files.add_argument(
        "--feed",
        choices=("per-minute", "per-revolution"),
        help="of a program without G94 or G95 (default: not known, and it is told)",
    )
    files.add_argument(
        "--codes",
        choices=("rs274", "lathe-a"),
        default="rs274",
        help="what codes mean where controls differ: RS-274/NGC (default) or lathe G-code system A",
    )
    files.add_argument(
        "--without-point",
        choices=("whole", "increments"),
        default="whole",
        help="lengths without a decimal point: whole units (default) or least increments",
    )
    files.add_argument(
        "--face",
        metavar="Z",
        type=float,
        default=0.0,
        help="height of the face in the program, in its own units (default: 0)",
    )


def run(args: argparse.Namespace) -> int:
    """Plan; everything is reckoned before anything is written."""
    extra = Path(args.materials) if args.materials else None
    if args.materials is not None and (args.job is None or extra is None) and args.from_program is None:
        print("\n".join(material_lines(load_materials(extra))))
        return EXIT_DONE
    found: ProgramHole | None = None
    told: list[str] = []
    job = load_job(args.job, extra) if args.job is not None else None
    if args.from_program is not None:
        found, hole = _program_hole(args)
        told = _program_lines(args.from_program, found, hole)
        if job is None:
            return _job_of_program(args, found, hole, told)
        job = _checked(with_hole(job, found, hole), args.from_program)
    if job is None:
        raise InputError("JOB.toml is missing; or give --materials, or --from-program with --job-out")
    job = _with_options(job, args)
    return _plan(args, job, told, found.remarks if found is not None else ())


def _plan(args: argparse.Namespace, job: Job, told: list[str], remarks: Sequence[Remark]) -> int:
    limit = USUAL_FILL_LIMIT
    if args.fill_limit is not None:
        limit = quantity(args.fill_limit, "--fill-limit", Dimension.PERCENT) / 100.0
    if args.bulking is not None and not 1.0 <= args.bulking <= 60.0:
        raise InputError(f"--bulking {args.bulking:g}: packed chips take 1 to 60 times their solid volume")
    limits = _limits(args, job, limit)
    given = plan_hole(job, bulking=args.bulking)
    others, refused = _others(job, limits, args.bulking)
    if args.use in refused:
        raise InputError(f"--use {args.use}: {refused[args.use]}")
    plan = others.get(args.use, given)
    found = cautions(plan, limit)
    written = _files(args, plan, limit)
    if args.json:
        said = [{"line": r.line, "note": r.note.value, "text": r.text} for r in remarks]
        whole = {**plan_json(plan, found, others), "program_remarks": said}
        print(json.dumps(whole, indent=1, allow_nan=False))
    else:
        lines = [*told, *plan_lines(plan), *caution_lines(found)]
        lines += _other_lines(given, others, refused, limits, limit)
        print("\n".join([*lines, *written]))
    return EXIT_DONE


def _limits(args: argparse.Namespace, job: Job, limit: float) -> Limits:
    bulking = args.bulking if args.bulking is not None else job.properties.bulking
    longest = LONGEST_PECK_DIAMETERS * job.drill_diameter_mm
    if args.longest_peck is not None:
        longest = quantity(args.longest_peck, "--longest-peck", Dimension.LENGTH)
    increment = _INCREMENT_MM[job.units]
    if args.increment is not None:
        increment = quantity(args.increment, "--increment", Dimension.LENGTH)
    least = 0.0
    if args.least_peck is not None:
        least = quantity(args.least_peck, "--least-peck", Dimension.LENGTH)
    if args.most_pecks is not None and args.most_pecks < 1:
        raise InputError(f"--most-pecks {args.most_pecks}: write at least 1")
    return Limits(
        capacity_mm=peck_for_fill(limit, job.flute_length_mm, bulking),
        flute_length_mm=job.flute_length_mm,
        longest_mm=longest,
        increment_mm=increment,
        least_mm=least,
        most_pecks=args.most_pecks,
    )


def _others(job: Job, limits: Limits, bulking: float | None) -> tuple[dict[str, Plan], dict[str, str]]:
    """The deepest safe pecks and the fastest schedule, or why there is none."""
    solvers: Mapping[str, Callable[[float, Limits], tuple[float, ...]]] = {
        "deepest": deepest_pecks,
        "constant": constant_pecks,
        "fastest": lambda depth, within: _fastest(depth, within, POINT_DIAMETERS * job.drill_diameter_mm),
    }
    plans: dict[str, Plan] = {}
    refused: dict[str, str] = {}
    for name, solve in solvers.items():
        try:
            plans[name] = plan_hole(job, solve(job.depth_mm, limits), bulking)
        except NoSchedule as error:
            fill = _least_fill(job, limits, bulking) if name == "fastest" else None
            possible = "" if fill is None else f" (with flutes filled to {fill:.1%} it can be done)"
            refused[name] = f"{error}{possible}"
    return plans, refused


def _fastest(depth_mm: float, limits: Limits, point_mm: float) -> tuple[float, ...]:
    """The fastest schedule; where no least peck is said, none shorter than the drill's point if that can be.

    A peck shorter than its point never brings the drill's full diameter into the work.
    """
    if limits.least_mm:
        return fastest_pecks(depth_mm, limits)
    try:
        return fastest_pecks(depth_mm, replace(limits, least_mm=point_mm))
    except NoSchedule:
        return fastest_pecks(depth_mm, limits)


def _least_fill(job: Job, limits: Limits, bulking: float | None) -> float | None:
    """The lowest fill with which the other limits leave a schedule."""
    factor = job.properties.bulking if bulking is None else bulking
    deep = job.flute_length_mm + job.depth_mm  # any depth at which chips are trapped
    return least_fill_for(job.depth_mm, limits, lambda mm: flute_fill(mm, deep, job.flute_length_mm, factor))


def _other_lines(
    given: Plan, others: Mapping[str, Plan], refused: Mapping[str, str], limits: Limits, limit: float
) -> list[str]:
    longest, step = (format_length(mm, given.job.units) for mm in (limits.longest_mm, limits.increment_mm))
    lines = ["", f"With flutes at most {limit:.0%} full, pecks of at most {longest}, in steps of {step}:"]
    names = {
        "deepest": "deepest safe pecks",
        "constant": "equal pecks, as of a canned cycle",
        "fastest": "fastest schedule",
    }
    for key, name in names.items():
        said = schedule_line(name, others[key], given) if key in others else f"{name}: none; {refused[key]}"
        lines += wrapped(said, "  - ")
    if "fastest" in others:
        pecks = len(others["fastest"].pecks)
        fewer = replace(limits, most_pecks=pecks - 1)
        fill = _least_fill(given.job, fewer, given.bulking) if pecks > 1 else None
        if fill is not None and fill <= limit + _WORTH_A_PECK:
            lines += wrapped(f"{pecks - 1} pecks would do with flutes filled to {fill:.1%}.", "  - ")
    return lines


def _files(args: argparse.Namespace, plan: Plan, limit: float) -> list[str]:
    """Write what is asked for; all of it is made before the first file is touched."""
    texts: dict[str, str] = {}
    job = plan.job.model_copy(update={"pecks_mm": tuple(peck.length_mm for peck in plan.pecks)})
    if args.plot is not None:
        texts[args.plot] = plan_svg(plan, limit)
    if args.program is not None:
        texts[args.program] = _draft(job)
    if args.job_out is not None:
        texts[args.job_out] = job_text(job)
    if len(texts) < sum(name is not None for name in (args.plot, args.program, args.job_out)):
        raise InputError("--plot, --program and --job-out name the same file; give each its own")
    for name, text in texts.items():
        _write(name, text)
    lines = [f"Written: {', '.join(texts)}"] if texts else []
    if args.program is not None:
        lines.append(
            "The program is a draft: check every block at the machine, first without a blank.\n"
            "spindlebell is no safety function and replaces no guard, no emergency stop and no person."
        )
    return ["", *lines] if lines else []


def _draft(job: Job) -> str:
    planes = planes_of(job)
    if planes is None or job.clearance_mm is None:
        wanted = {"clearance": job.clearance_mm, "retract": job.retract_mm, "approach": job.approach_mm}
        missing = [name for name, value in wanted.items() if value is None]
        raise InputError(
            f"--program: the heights of {', '.join(missing)} are not guessed; say them as "
            f"{', '.join(f'--{name}' for name in missing)}, or in the job file as "
            f"{', '.join(f'hole.{name}' for name in missing)}"
        )
    return draft_program(job, job.pecks_mm, planes)


def _with_options(job: Job, args: argparse.Namespace) -> Job:
    said: dict[str, Any] = {}
    for option, (name, dimension, _) in _SAID.items():
        written = getattr(args, option.removeprefix("--"))
        if written is not None:
            said[name] = quantity(written, option, dimension)
    job = job.model_copy(update=said)
    for key, problem in plane_contradictions(job.clearance_mm, job.retract_mm, job.units):
        raise InputError(f"{key}: {problem}")
    return job


def _program_hole(args: argparse.Namespace) -> tuple[ProgramHole, Drilling]:
    rules = ReadingRules(args.codes, args.units, args.feed, args.without_point)
    name = args.from_program
    try:
        program = read_program(_program_text(name), rules)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    face_mm = args.face * (MM_PER_INCH if program.units == "in" else 1.0)
    found = find_hole(program, face_mm)
    if found.hole is None:
        likeliest = sorted(found.remarks, key=lambda remark: remark.note is Note.READ_AS)
        why = "".join(f"; {_place(remark)}{remark.text}" for remark in likeliest[:3])
        raise InputError(f"{name}: nothing is drilled along Z on the axis below the face (--face){why}")
    return found, found.hole


def _program_text(name: str) -> str:
    most = 5_000_000
    try:
        with Path(name).open("rb") as file:
            content = file.read(most + 1)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}; give the path of a program") from None
    if len(content) > most:
        raise InputError("is over 5 MB; a drilling program is a short text")
    return content.decode("utf-8-sig", errors="replace")


def _program_lines(name: str, found: ProgramHole, hole: Drilling) -> list[str]:
    """What was read from a program, and everything that a person has to check."""
    units = found.units
    lines = wrapped(
        f"Read from {name}, {hole.where}: {format_length(hole.depth_mm, units)} deep in "
        f"{format_count(len(hole.pecks_mm), 'peck')}, {pecks_text(hole.pecks_mm, units)}."
    )
    headings = {
        Note.NOT_UNDERSTOOD: "Not understood, so check by hand:",
        Note.LEFT_OUT: "Left out:",
        Note.READ_AS: "Read in one of several ways, so check:",
    }
    for note, heading in headings.items():
        said = [f"{_place(remark)}{remark.text}" for remark in found.remarks if remark.note is note]
        lines += [heading, *(line for text in said for line in wrapped(text, "  - "))] if said else []
    if not any(remark.note is Note.NOT_UNDERSTOOD for remark in found.remarks):
        lines.append("Every block was understood.")
    return [*lines, ""]


def _place(remark: Remark) -> str:
    return f"line {remark.line}: " if remark.line else ""


def _job_of_program(args: argparse.Namespace, found: ProgramHole, hole: Drilling, told: list[str]) -> int:
    """Without a job file: write what the program says of one, to be filled in."""
    if args.job_out is None:
        raise InputError(
            "--from-program needs a job file to fill in the drill, or --job-out FILE.toml for a new one"
        )
    _write(args.job_out, program_text(found, hole, Path(args.from_program).stem))
    told.append(
        f"Written: {args.job_out}. Fill in what the program does not say (drill, material, blanks), "
        "then plan it."
    )
    print("\n".join(told))
    return EXIT_DONE


def _checked(job: Job, source: str) -> Job:
    """The job read again from its own text, so that a program is held to the same checks as a job file."""
    try:
        return parse_job(job_text(job), source)
    except InputError as error:
        raise InputError(f"{error} (as read from the program; check units and decimal points)") from None


def _write(name: str, text: str) -> None:
    path = Path(name)
    try:
        write_whole(path, text)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be written ({error.strerror or error}); name another file"
        ) from error
