"""One function per command; everything heavy is imported when a command needs it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from steps import __version__
from steps.cli.options import DECIDES, LIMIT, LOOKS, Run, limited, settings_beside, with_options

if TYPE_CHECKING:
    from steps.kept import Kept
    from steps.settings import Settings

app = typer.Typer(
    help="From a block-style model, printed big, to a booklet that can be built from.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)

MODEL_HELP = "3MF, GLB, glTF, OBJ, STL of several bodies, STEP, build.toml, or a folder or CSV of placements."
Model = Annotated[Path, typer.Argument(metavar="MODEL", help=MODEL_HELP, show_default=False)]
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


@app.command(epilog="Example: stepleaf demo --to stepleaf-demo")
@with_options(*DECIDES, *LOOKS)
def demo(
    run: Run,
    to: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write to.")] = Path("stepleaf-demo"),
) -> None:
    """Write the demo models, a harbour tug and a beacon, and the tug's booklet."""
    from steps.cli.demo import demo_files, write_demo_models
    from steps.cli.telling import message, result
    from steps.kept import Kept

    target = to / "tug.pdf"
    _tell_mixed(target, run.quiet)
    message("writing the demo models", run.quiet)
    kept = Kept(force=run.force)
    kept.allow(demo_files(to))
    written = write_demo_models(to)
    kept.wrote(demo_files(to))
    for path in written:
        result(str(path))
    _booklet(written[0], target, run)


@app.command(epilog="Example: stepleaf inspect my-model.3mf --scale 4")
@with_options("material", "refit", "paper", "language", "pictures")
def inspect(
    run: Run,
    model: Model,
    json: Annotated[bool, typer.Option("--json", help="For machines.", show_default=False)] = False,
    write_list: Annotated[
        bool,
        typer.Option("--write-list", help="Write parts.csv of a folder of loose parts.", show_default=False),
    ] = False,
    stud_sheets: Annotated[
        Path | None,
        typer.Option(metavar="OUT.pdf", help="Draw each shape with its studs and sockets numbered."),
    ] = None,
    scales: Annotated[
        str | None,
        typer.Option(metavar="1,2,4|usual", help="Instead: the same model at these scales, side by side."),
    ] = None,
) -> None:
    """Parts, shapes, joints and problems, on the terminal. Status 1 if there are errors."""
    from steps.cli.loose import sheets_named, write_parts_list, write_stud_sheets
    from steps.cli.telling import Teller, message, show
    from steps.inspect_report import inspection, report_blocks
    from steps.pipeline import STAGES, errors_of, survey
    from steps.planfile import to_text

    settings = run.settings_for(model)
    if scales is not None:
        _scales(model, scales, settings, json, run.quiet)
        return
    if stud_sheets is not None:  # before the work, and whether or not a build file is right so far
        kept = _kept(run, model, sheets_named(stud_sheets))
        write_stud_sheets(model, stud_sheets, settings)
        message(kept.wrote([stud_sheets]), run.quiet)
    if write_list:
        write_parts_list(model, settings.limits, run.quiet)
    with Teller(STAGES[:3], run.quiet) as progress:
        found = survey(model, settings, progress)
        report = inspection(found, settings)
    if json:
        typer.echo(to_text(report), nl=False)
    else:
        show(report_blocks(report))
    if errors_of(found.problems):
        raise typer.Exit(1)
    if not json:
        message(_after_inspect(model, found.model.placed, write_list, run.again), run.quiet)


@app.command(epilog="Example: stepleaf plan my-model.3mf --scale 4")
@with_options(*DECIDES, "pictures")
def plan(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="OUT.plan.json", help="The plan file to write.")
    ] = None,
) -> None:
    """Joints, order and glue: everything but pictures and pages."""
    from steps.cli.faults import faults_pictured, picture_faults
    from steps.cli.telling import Teller, message, result, tell_problems
    from steps.errors import WrongSettings
    from steps.one_set import MAKE_ANEW, PLAN
    from steps.pipeline import STAGES, make_plan
    from steps.planfile import plan_to_json

    target = out or Path(stem_of(model) + PLAN)
    if not target.name.endswith(PLAN):
        raise WrongSettings(f"{target}: a plan's name ends in {PLAN}; choose such a name with -o.")
    _tell_mixed(target, run.quiet)
    settings = run.settings_for(model)
    kept = _kept(run, model, target)
    with (
        faults_pictured(target, settings, run.quiet),
        Teller(STAGES[:7], run.quiet) as progress,
    ):
        made = make_plan(model, settings, progress)
        _write_set({target: plan_to_json(made, settings).encode()}, kept)
    _tell_mixed(target, run.quiet, MAKE_ANEW)
    tell_problems(made.problems, run.quiet)
    picture_faults(made.model, made.problems, made.order.up, target, settings, run.quiet)
    result(str(target))
    message(kept.wrote([target]), run.quiet)
    message(f"Next: stepleaf booklet {model}{run.again}, or stepleaf verify {target} {model}", run.quiet)


@app.command(epilog="Example: stepleaf booklet my-model.3mf --scale 4 --reader child")
@with_options(*DECIDES, *LOOKS)
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
    target = out or Path(stem_of(model) + ".pdf")
    _tell_mixed(target, run.quiet)
    _booklet(model, target, run.with_option("stickers", stickers))


@app.command(epilog="Example: stepleaf prints my-model.3mf --scale 4 --material petg")
@with_options("material", "refit", "paper", "language")
def prints(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="DIR", help="Folder to write to.")
    ] = None,
    display_angle: Annotated[
        float | None,
        typer.Option(metavar="DEGREES", help="Also a wedge that shows the model at this angle on its pegs."),
    ] = None,
    left: Annotated[
        bool,
        typer.Option("--left", help="Plates for what print run.csv says is left.", show_default=False),
    ] = False,
    longest_plate: Annotated[
        float | None, typer.Option(metavar="HOURS", help="Fill plates up to this time; 12 unless set.")
    ] = None,
) -> None:
    """One print file per shape and colour, plates in building order, and the parts list."""
    from steps.cli.printing import display_wedge, order_of, with_longest_plate
    from steps.cli.telling import Teller, message, result, tell_problems
    from steps.pipeline import STAGES, survey
    from steps.prints import RUN, prepare, write_out
    from steps.prints.entries import read_entries
    from steps.progress import stage

    settings = with_longest_plate(run.settings_for(model), longest_plate)
    folder = _folder_of(model, out, stem_of(model) + "-prints")
    kept = _kept(run, model, ours=(RUN,))
    entries = read_entries(folder / RUN)  # before the work: what cannot be kept stops it
    with Teller((*STAGES[:4], "files"), run.quiet) as progress:
        found = survey(model, settings, progress)
        wedge = display_wedge(found, display_angle)
        order = order_of(found, settings, progress)
        with stage(progress, "files"):
            made = prepare(found.model, found.measures, settings, order, wedge, entries, left)
            written = write_out(made, found.model, folder, settings, kept)
    for line in (*made.changes, made):
        message(str(line), run.quiet)
    tell_problems(found.problems + made.problems, run.quiet)
    result(str(folder))
    message(kept.wrote(written), run.quiet)
    message(
        f"Next: enter in {folder / RUN} what is done (failed ones among them), what of it failed and what is "
        f"wanted again, then stepleaf prints {model}{run.again} --left"
        f"{'' if longest_plate is None else f' --longest-plate {longest_plate:g}'}"
        f"{'' if out is None else f' -o {out}'}",
        run.quiet,
    )


@app.command(epilog="Example: stepleaf coupon my-model.3mf --scale 4")
@with_options("material", "paper", "language")
def coupon(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None, typer.Option("-o", "--out", metavar="DIR", help="Folder to write to.")
    ] = None,
) -> None:
    """The fit card: print it before the model, and write in stepleaf.toml what fitted."""
    from steps.cli.printing import joints_to_try
    from steps.cli.telling import Teller, message, result, tell_problems
    from steps.pipeline import STAGES, survey
    from steps.prints.coupon import write_coupon
    from steps.progress import stage

    settings = run.settings_for(model)
    folder = _folder_of(model, out, stem_of(model) + "-coupon")
    kept = _kept(run, model)
    with Teller((*STAGES[:3], "files"), run.quiet) as progress:
        found = joints_to_try(survey(model, settings, progress), settings)
        with stage(progress, "files"):
            made = write_coupon(found.model, found.measures, found.joints, folder, settings, kept)
    tell_problems(found.problems + made.problems, run.quiet)
    result(str(folder))
    message(kept.wrote(kept.asked), run.quiet)
    message("Next: print it, try it, and write what fitted into stepleaf.toml", run.quiet)


@app.command(epilog="Example: stepleaf place my-parts -o my-model.3mf")
@with_options("pictures")
def place(
    run: Run,
    model: Model,
    out: Annotated[
        Path | None,
        typer.Option("-o", "--out", metavar="OUT.3mf|OUT.glb|DIR", help="The whole as one file; a folder."),
    ] = None,
    write_table: Annotated[
        bool,
        typer.Option("--write-table", help="Turn a placed model into a build.toml.", show_default=False),
    ] = False,
) -> None:
    """Check and draw build.toml, parts in stud terms; or turn a model into such a file."""
    from steps.cli import placing
    from steps.cli.telling import Teller, message

    if write_table:
        folder = out or Path(stem_of(model) + "-build")
        placing.write_table(model, folder, run.settings_for(model), run.force, run.quiet)
        return
    path = placing.build_file_of(model)
    settings = run.settings_for(path)
    targets = (path.with_suffix(".png"), *placing.whole_named(path, out))
    kept = _kept(run, path, *targets)
    with placing.measured_before(path):
        with Teller(("read", "measure", "joints"), run.quiet) as progress:
            checked = placing.checked(path, settings, progress)
        right = placing.draw_and_tell(checked, out, settings, run.quiet)
    message(kept.wrote(targets), run.quiet)
    if not right:
        raise typer.Exit(1)
    message(f"Next: stepleaf booklet {path.parent}{run.again}", run.quiet)


@app.command(epilog="Example: stepleaf verify my-model.plan.json my-model.3mf")
def verify(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="A .plan.json.", show_default=False)],
    model: Model,
    limit: Annotated[list[str] | None, LIMIT] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", "-q", help="No progress, no table.", show_default=False)
    ] = False,
) -> None:
    """Replay a plan against its model by means other than the planner's."""
    from steps.cli.telling import Teller, message, show
    from steps.errors import MixedSet, PlanMismatch
    from steps.one_set import MAKE_ANEW, PLAN, mixed, set_of
    from steps.verify import verify_plan

    with Teller(("read", "replay"), quiet) as progress:
        report = verify_plan(plan, model, limited(limit), progress)
    if not quiet:
        show([report.table()])
        if report.doubtful_steps:
            message(f"doubtful, as the plan says itself:\n{report.doubts_text()}", quiet)
    if not report.ok:
        raise PlanMismatch(f"{plan} does not replay to {model}:\n{report.faults_text()}")
    if told := mixed(dict.fromkeys((plan, *set_of(plan.with_name(plan.name.removesuffix(PLAN)))))):
        raise MixedSet(f"{plan} replays to {model}, but not all beside it is of its run. {told} {MAKE_ANEW}")
    message(f"Next: stepleaf booklet {model}", quiet)


def _after_inspect(model: Path, placed: bool, listed: bool, again: str) -> str:
    """What to do with a model that was looked at, ``again`` with what this command was told."""
    if placed:
        return f"Next: stepleaf coupon {model}{again} before printing; then stepleaf booklet {model}{again}"
    correct = f"stepleaf inspect {model} --write-list to correct this; "
    listing = correct if model.is_dir() and not listed else ""
    sheets = f"stepleaf inspect {model} --stud-sheets studs.pdf shows what to write build.toml by"
    return f"Next: {listing}stepleaf prints {model}{again}; {sheets}"


def _scales(model: Path, named: str, settings: Settings, json: bool, quiet: bool) -> None:
    """The scale chooser: one survey, of the parts as the file has them, carried to each scale."""
    from rich.text import Text

    from steps.cli.telling import Teller, message, show
    from steps.pipeline import STAGES, survey
    from steps.progress import stage
    from steps.scale_choice import choice_json, choice_table, greatest_told, scale_choice, scales_of

    wanted = scales_of(named)
    if settings.refit is not None:
        message("at each scale the parts are those of the file, without the refit", quiet)
    with Teller((*STAGES[:3], "scales"), quiet) as progress:
        found = survey(model, settings.model_copy(update={"refit": None}), progress)
        with stage(progress, "scales"):
            choice = scale_choice(found, wanted, settings)
    if json:
        typer.echo(choice_json(choice), nl=False)
    else:
        show([choice_table(choice), Text(greatest_told(choice))])


def _booklet(model: Path, target: Path, run: Run) -> None:
    from steps.booklet import StudioPictures, booklet_html, booklet_pdf, labels_pdf
    from steps.booklet.crew import crew_for
    from steps.cli.faults import faults_pictured, picture_faults
    from steps.cli.telling import Teller, message, result, tell_problems
    from steps.one_set import MAKE_ANEW, PLAN, STICKERS
    from steps.pipeline import make_plan
    from steps.planfile import plan_to_json

    kept = _kept(run, model, target)
    kind = _kind_of(target)
    settings = run.booklet_settings_for(model, printed=kind == PRINTED)
    stem = target.with_name(target.name[: -len(kind)])
    plan_target, label_target = (stem.with_name(stem.name + end) for end in (PLAN, STICKERS))
    stickers = settings.stickers is not None or settings.sticker_sheet is not None
    targets = (target, *([label_target] if stickers else []), plan_target)
    kept.allow(targets[1:])
    with (
        crew_for(settings, os.cpu_count() or 1) as crew,  # they load what they need while the plan is made
        faults_pictured(target, settings, run.quiet),
        Teller(quiet=run.quiet) as progress,
    ):
        made = make_plan(model, settings, progress)
        pictures = StudioPictures(made, settings, crew, progress)
        make = booklet_pdf if kind == PRINTED else booklet_html
        files = {target: make(made, settings, progress, pictures)}
        if stickers:
            files[label_target] = labels_pdf(made, settings, progress, pictures)
        files[plan_target] = plan_to_json(made, settings).encode()
        _write_set(files, kept)
    _tell_mixed(target, run.quiet, MAKE_ANEW)
    tell_problems(made.problems, run.quiet)
    picture_faults(made.model, made.problems, made.order.up, target, settings, run.quiet)
    for line in filter(None, (pictures.log, pictures.notice)):
        message(line, run.quiet)
    for path in targets:
        result(str(path))
    message(kept.wrote(targets), run.quiet)
    message(
        f"Next: stepleaf prints {model}{run.again}; before printing stepleaf coupon {model}{run.again}",
        run.quiet,
    )


def _tell_mixed(target: Path, quiet: bool, what_to_do: str = "") -> None:
    """Say if a booklet or a plan and what lies beside it are of different runs: before anything is refused,
    and after it was made."""
    from steps.cli.telling import message
    from steps.one_set import PLAN, mixed, set_of

    ending = _ending_of(target, (PRINTED, SCREEN, PLAN))
    files = set_of(target.with_name(target.name[: -len(ending)])) if ending else ()
    if told := mixed(files):
        message(f"warning: {told} {what_to_do}".rstrip(), quiet)


def _write_set(files: Mapping[Path, bytes], kept: Kept) -> None:
    """Files of one folder, all whole before the first is moved into place. Raises CannotWrite."""
    from steps.output import write_folder

    folder = next(iter(files)).parent
    write_folder(folder, ((path.name, content) for path, content in files.items()), kept)


def _kind_of(target: Path) -> str:
    """The ending of a booklet's name, which says what to write. Raises WrongSettings for another."""
    from steps.errors import WrongSettings

    if kind := _ending_of(target, (PRINTED, SCREEN)):
        return kind
    raise WrongSettings(
        f"{target}: a booklet's name ends in {PRINTED} (to print) or {SCREEN} (for a screen); "
        "choose one of them with -o."
    )


def _ending_of(target: Path, known: Iterable[str]) -> str:
    """Which of the endings that are known a name has after its first letter; empty without one."""
    return next((each for each in known if target.name[1:].lower().endswith(each)), "")


def stem_of(model: Path) -> str:
    """The model's name without folders and suffix; a folder's own name, and that of a build file's folder."""
    from steps.intake import BUILD_TOML

    resolved = model.resolve()
    if resolved.name == BUILD_TOML:
        resolved = resolved.parent
    return resolved.name if resolved.is_dir() else resolved.stem


def _kept(run: Run, model: Path, *targets: Path, ours: Iterable[str] = ()) -> Kept:
    """What may be written: not over what is read, by whatever name, nor over what Stepleaf did not write, nor
    where nothing can be written. Before the work, not after it. Raises CannotWrite."""
    from steps.kept import Kept, files_read
    from steps.output import may_write

    kept = Kept(files_read(model, run.settings_file or settings_beside(model)), run.force, frozenset(ours))
    kept.allow(targets)
    for target in targets:
        may_write(target)
    return kept


def _folder_of(model: Path, out: Path | None, usual: str) -> Path:
    """The folder to write to. Raises WrongSettings where a file's name was given, or the folder of parts."""
    from steps.errors import WrongSettings
    from steps.kept import READ_WITH

    folder = out or Path(usual)
    if model.is_dir() and folder.exists() and folder.samefile(model):
        raise WrongSettings(f"{folder} holds the parts; what is written there would be read as more of them.")
    if not folder.is_dir() and folder.suffix.lower() in (*READ_WITH, ".pdf", ".html", ".json", ".png"):
        raise WrongSettings(f"{folder}: this command writes a folder; choose a folder's name with -o.")
    return folder
