"""One function per command; everything heavy is imported when a command needs it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from steps import __version__
from steps.cli.options import Run, settings_beside, with_common_options

app = typer.Typer(
    help="From a block-style model, printed big, to a booklet that can be built from.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)

MODEL_HELP = "3MF, GLB, glTF, OBJ, STL of several bodies, STEP, or a folder or CSV of placements."
Model = Annotated[Path, typer.Argument(metavar="MODEL", help=MODEL_HELP, show_default=False)]
Folder = Annotated[Path | None, typer.Option("-o", "--out", metavar="DIR", help="Folder to write to.")]
PLAN_SUFFIX = ".plan.json"
PRINTED, SCREEN = ".pdf", ".html"  #: endings of a booklet's name
STICKERS_HELP = (
    "Also a PDF of stickers for the printed parts, on a sheet of stickers named by their size, e.g. 70x37; "
    "'usual' takes the paper's usual one, a wrong name lists all."
)


def _tell_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stepleaf {__version__}")
        raise typer.Exit


@app.callback()
def stepleaf(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            help="Which version this is.",
            callback=_tell_version,
            is_eager=True,
            show_default=False,
        ),
    ] = False,
) -> None:
    """From a block-style model, printed big, to a booklet that can be built from."""


@app.command()
@with_common_options
def demo(
    run: Run,
    to: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to.")] = Path("stepleaf-demo"),
) -> None:
    """Write the demo models, a harbour tug and a beacon, and the tug's booklet."""
    from steps.cli.demo import write_demo_models
    from steps.cli.telling import message, result

    message("writing the demo models", run.quiet)
    written = write_demo_models(to)
    for path in written:
        result(str(path))
    _booklet(written[0], to / "tug.pdf", run)


@app.command()
@with_common_options
def inspect(
    run: Run,
    model: Model,
    json: Annotated[bool, typer.Option("--json", help="For machines.", show_default=False)] = False,
    write_list: Annotated[
        bool,
        typer.Option("--write-list", help="Write parts.csv of a folder of loose parts.", show_default=False),
    ] = False,
) -> None:
    """Parts, shapes, joints and problems, on the terminal. Status 1 if there are errors."""
    from steps.cli.loose import write_parts_list
    from steps.cli.telling import Teller, show
    from steps.inspect_report import inspection, report_blocks
    from steps.pipeline import STAGES, errors_of, survey
    from steps.planfile import to_text

    settings = run.settings_for(model)
    with Teller(STAGES[:3], run.quiet) as progress:
        found = survey(model, settings, progress)
        report = inspection(found, settings)
    if json:
        typer.echo(to_text(report), nl=False)
    else:
        show(report_blocks(report))
    if write_list:
        write_parts_list(model, found.model, run.quiet)
    if errors_of(found.problems):
        raise typer.Exit(1)


@app.command()
@with_common_options
def plan(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="OUT.plan.json", help="The plan file to write.")
    ] = None,
) -> None:
    """Joints, order and glue: everything but pictures and pages."""
    from steps.cli.faults import faults_pictured, picture_faults
    from steps.cli.telling import Teller, result, tell_problems
    from steps.errors import WrongSettings
    from steps.output import write_whole
    from steps.pipeline import STAGES, make_plan
    from steps.planfile import plan_to_json

    settings = run.settings_for(model)
    target = out or Path(stem_of(model) + PLAN_SUFFIX)
    if not target.name.endswith(PLAN_SUFFIX):
        raise WrongSettings(f"{target}: a plan's name ends in {PLAN_SUFFIX}; choose such a name with -o.")
    _spare_the_input(run, model, target)
    with faults_pictured(target, settings, run.quiet), Teller(STAGES[:7], run.quiet) as progress:
        made = make_plan(model, settings, progress)
        write_whole(target, plan_to_json(made, settings))
    tell_problems(made.problems, run.quiet)
    picture_faults(made.model, made.problems, target, settings, run.quiet)
    result(str(target))


@app.command()
@with_common_options
def booklet(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o", "--out", metavar="OUT.pdf|OUT.html", help="The booklet; its ending says which kind."
        ),
    ] = None,
    stickers: Annotated[
        str | None,
        typer.Option(metavar="SHEET", help=STICKERS_HELP),
    ] = None,
) -> None:
    """The main job: the booklet as PDF or as HTML for a screen, and the plan beside it."""
    _booklet(model, out or Path(stem_of(model) + ".pdf"), run.with_option("stickers", stickers))


@app.command()
@with_common_options
def prints(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="DIR", help="Folder to write to.")
    ] = None,
    refit: Annotated[
        str | None,
        typer.Option(
            metavar="tight|press|slide|loose", help="Move studs, pegs and balls so that joints fit so."
        ),
    ] = None,
    display_angle: Annotated[
        float | None,
        typer.Option(metavar="DEGREES", help="Also a wedge that shows the model at this angle on its pegs."),
    ] = None,
) -> None:
    """One print file per shape and colour, plates in building order, and the parts list."""
    from steps.cli.printing import display_wedge, fit_to_aim_at, order_of, refitted
    from steps.cli.telling import Teller, message, result, tell_problems
    from steps.pipeline import STAGES, survey
    from steps.prints import prepare, write_out
    from steps.progress import stage

    settings, fit = run.settings_for(model), fit_to_aim_at(refit)
    folder = out or Path(stem_of(model) + "-prints")
    with Teller((*STAGES[:4], "files"), run.quiet) as progress:
        found = survey(model, settings, progress)
        moved = refitted(found, fit, settings)
        wedge = display_wedge(found, display_angle, moved)
        order = order_of(found, settings, progress)
        with stage(progress, "files"):
            made = prepare(found.model, found.measures, settings, order, moved, wedge)
            write_out(made, found.model, folder, settings)
    for line in (*made.changes, made):
        message(str(line), run.quiet)
    tell_problems(found.problems + made.problems, run.quiet)
    result(str(folder))


@app.command()
@with_common_options
def coupon(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="DIR", help="Folder to write to.")
    ] = None,
) -> None:
    """The fit card: print it before the model, and write in stepleaf.toml what fitted."""
    from steps.cli.printing import joints_to_try
    from steps.cli.telling import Teller, result, tell_problems
    from steps.pipeline import STAGES, survey
    from steps.prints.coupon import write_coupon
    from steps.progress import stage

    settings = run.settings_for(model)
    folder = out or Path(stem_of(model) + "-coupon")
    with Teller((*STAGES[:3], "files"), run.quiet) as progress:
        found = joints_to_try(survey(model, settings, progress), settings)
        with stage(progress, "files"):
            made = write_coupon(found.model, found.measures, found.joints, folder, settings)
    tell_problems(found.problems + made.problems, run.quiet)
    result(str(folder))


@app.command()
def verify(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="A .plan.json.", show_default=False)],
    model: Model,
    quiet: Annotated[
        bool, typer.Option("--quiet", "-q", help="No progress, no table.", show_default=False)
    ] = False,
) -> None:
    """Replay a plan against its model by means other than the planner's."""
    from steps.cli.telling import Teller, message, show
    from steps.errors import PlanMismatch
    from steps.verify import verify_plan

    with Teller(("read", "replay"), quiet) as progress:
        report = verify_plan(plan, model, progress=progress)
    if not quiet:
        show([report.table()])
        if report.doubtful_steps:
            message(f"doubtful, as the plan says itself:\n{report.doubts_text()}", quiet)
    if not report.ok:
        raise PlanMismatch(f"{plan} does not replay to {model}:\n{report.faults_text()}")


def _booklet(model: Path, target: Path, run: Run) -> None:
    from steps.booklet import StudioPictures, write_booklet, write_html, write_labels
    from steps.booklet.crew import crew_for
    from steps.cli.faults import faults_pictured, picture_faults
    from steps.cli.telling import Teller, message, result, tell_problems
    from steps.output import write_whole
    from steps.pipeline import make_plan
    from steps.planfile import plan_to_json

    _spare_the_input(run, model, target)
    kind = _kind_of(target)
    settings = run.booklet_settings_for(model, printed=kind == PRINTED)
    stem = target.name[: -len(kind)]
    plan_target, label_target = (target.with_name(stem + end) for end in (PLAN_SUFFIX, "-stickers.pdf"))
    stickers = settings.stickers is not None or settings.sticker_sheet is not None
    _spare_the_input(run, model, plan_target, label_target)
    with (
        crew_for(settings, os.cpu_count() or 1) as crew,  # they load what they need while the plan is made
        faults_pictured(target, settings, run.quiet),
        Teller(quiet=run.quiet) as progress,
    ):
        made = make_plan(model, settings, progress)
        pictures = StudioPictures(made, settings, crew, progress)
        write = write_booklet if kind == PRINTED else write_html
        write(made, target, settings, progress, pictures)
        if stickers:
            write_labels(made, label_target, settings, progress, pictures)
        write_whole(plan_target, plan_to_json(made, settings))
    tell_problems(made.problems, run.quiet)
    picture_faults(made.model, made.problems, target, settings, run.quiet)
    for line in filter(None, (pictures.log, pictures.notice)):
        message(line, run.quiet)
    for path in (target, *([label_target] if stickers else []), plan_target):
        result(str(path))


def _kind_of(target: Path) -> str:
    """The ending of a booklet's name, which says what to write. Raises WrongSettings for another."""
    from steps.errors import WrongSettings

    for kind in (PRINTED, SCREEN):
        if target.name.lower().endswith(kind) and len(target.name) > len(kind):
            return kind
    raise WrongSettings(
        f"{target}: a booklet's name ends in {PRINTED} (to print) or {SCREEN} (for a screen); "
        "choose one of them with -o."
    )


def stem_of(model: Path) -> str:
    """The model's name without folders and suffix; a folder's own name."""
    resolved = model.resolve()
    return resolved.name if resolved.is_dir() else resolved.stem


def _spare_the_input(run: Run, model: Path, *targets: Path) -> None:
    """Refuse to write over the model or its settings, by whatever name, or where nothing can be written:
    before the work, not after it. Raises CannotWrite."""
    from steps.errors import CannotWrite
    from steps.output import may_write

    settings = run.settings_file or settings_beside(model)
    for target in targets:
        for read, what in ((model, "the model itself"), (settings, "the settings file")):
            if read is not None and read.exists() and target.exists() and target.samefile(read):
                raise CannotWrite(f"{target} is {what}; choose another name with -o.")
        may_write(target)
