"""The options that all commands share: declared once, handed to a command as one ``Run``."""

from __future__ import annotations

import inspect
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from steps.settings import Settings

SETTINGS_NAME = "stepleaf.toml"


def _text(choices: str, help_text: str) -> Any:
    # plain text here: the settings check the values, so that one report names every wrong one
    return Annotated[str | None, typer.Option(metavar=choices, help=help_text)]


def _flag(*names: str, help_text: str) -> Any:
    return Annotated[bool, typer.Option(*names, help=help_text, show_default=False)]


LIMIT = typer.Option(
    metavar="NAME=NUMBER", help="Raise or lower a limit of reading, e.g. parts=500000.", show_default=False
)
#: Parameter name -> how typer declares it. Nothing given means: as the settings say.
COMMON: dict[str, Any] = {
    "settings": Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Settings file; stepleaf.toml beside the model is read by itself."),
    ],
    "scale": Annotated[float | None, typer.Option(metavar="FACTOR", help="Enlarge the model, 4 for 4x.")],
    "paper": _text("a4|letter|a5", "Paper size."),
    "reader": _text("child|helper|adult", "For whom the booklet is."),
    "language": _text("en|de", "Language of the booklet."),
    "material": _text("pla|petg|abs|...", "The plastic it is printed in."),
    "refit": _text(
        "press|slide|MM", "The parts as they will be printed: studs, pegs, balls moved to fit so, or by MM."
    ),
    "aim": _text("one-piece|display|handled", "What the glue must achieve: one piece, or only to stand."),
    "adhesive": _text("FAMILY|none", "Family of adhesive; chosen by itself when not given."),
    "pictures": _text("gl|rays", "Force the source of the pictures."),
    "fold": _flag("--fold", help_text="Impose for folding and stapling."),
    "mono": _flag("--mono", help_text="Black and white."),
    "anyway": _flag("--anyway", help_text="Go on past a problem that is not fatal."),
    "limit": Annotated[list[str] | None, LIMIT],
    "force": _flag("--force", help_text="Write over files that Stepleaf did not write."),
    "quiet": _flag("--quiet", "-q", help_text="No progress and no messages, errors only."),
}
#: What the next command is to be told again.
REPEATED = ("scale", "material")
FLAGS = ("fold", "mono", "anyway", "force", "quiet")


@dataclass(frozen=True)
class Run:
    """The common options as given, and what follows from them."""

    given: dict[str, Any] = field(default_factory=dict)
    settings_file: Path | None = None
    quiet: bool = False
    force: bool = False

    def settings_for(self, model: Path) -> Settings:
        """Settings in force for a model: its file first, options on top. Raises WrongSettings."""
        from steps.limits import limits_given
        from steps.settings import load_settings

        given = dict(self.given)
        if limits := given.pop("limit", None):
            given["limits"] = limits_given(limits)
        found = settings_beside(model) if self.settings_file is None else None
        settings = load_settings(self.settings_file or found, found=found is not None, **given)
        if settings.adhesive not in (None, "none"):
            from steps.glue.families import family

            family(settings.adhesive)  # refused now rather than after the order is found
        return settings

    @property
    def again(self) -> str:
        """What the next command is to be told as well: " --scale 4"; empty where nothing was."""
        told: dict[str, Any] = {key: value for key, value in self.given.items() if key in REPEATED}
        if self.settings_file is not None:
            told["settings"] = self.settings_file
        return "".join(
            f" --{key} {f'{value:g}' if isinstance(value, float) else value}" for key, value in told.items()
        )

    def with_option(self, name: str, value: Any) -> Run:
        """The same with one command's own option; None: not given."""
        return self if value is None else replace(self, given={**self.given, name: value})

    def booklet_settings_for(self, model: Path, printed: bool = True) -> Settings:
        """As :meth:`settings_for`, for a booklet that can be made: its language, reader and paper agree
        (a screen has no paper), and its sticker sheet is known."""
        from steps.booklet.edition import edition_of, paper_of
        from steps.booklet.labels import sticker_sheet
        from steps.booklet.words import words_in

        settings = self.settings_for(model)
        words_in(settings.language)
        edition_of(settings)
        sticker_sheet(settings)
        if printed:
            paper_of(settings)
        return settings


def limited(given: list[str] | None) -> Settings:
    """No settings but the limits given. Raises WrongSettings."""
    from steps.limits import limits_given
    from steps.settings import load_settings

    return load_settings(limits=limits_given(given) if given else None)


def settings_beside(model: Path) -> Path | None:
    """stepleaf.toml in the model's folder (or in the folder that is the model), if something is there."""
    folder = model if os.path.isdir(model) else model.parent
    beside = folder / SETTINGS_NAME
    return beside if os.path.lexists(beside) else None


#: What a booklet is made with, besides what every command takes.
DECIDES = ("reader", "material", "aim", "adhesive", "refit", "anyway")
LOOKS = ("paper", "language", "pictures", "fold", "mono")
ALWAYS = ("settings", "scale", "limit", "force", "quiet")


def with_options(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give ``command(run: Run, ...)`` these of the shared options on the command line, and those that every
    command takes."""
    shared = [name for name in COMMON if name in (*ALWAYS, *names)]

    def with_them(command: Callable[..., None]) -> Callable[..., None]:
        def wrapped(**values: Any) -> None:
            common = {name: values.pop(name) for name in shared}
            settings_file, quiet, force = (common.pop(name) for name in ("settings", "quiet", "force"))
            given = {
                name: value for name, value in common.items() if value is not None and value is not False
            }
            command(run=Run(given, settings_file, quiet, force), **values)

        parameters = inspect.signature(command, eval_str=True).parameters
        own = [each for name, each in parameters.items() if name != "run"]
        signature = [each.replace(kind=inspect.Parameter.KEYWORD_ONLY) for each in own] + [
            inspect.Parameter(
                name, inspect.Parameter.KEYWORD_ONLY, default=_default(name), annotation=COMMON[name]
            )
            for name in shared
        ]
        wrapped.__name__, wrapped.__doc__ = command.__name__, command.__doc__
        wrapped.__signature__ = inspect.Signature(signature)  # type: ignore[attr-defined]
        wrapped.__annotations__ = {parameter.name: parameter.annotation for parameter in signature}
        return wrapped

    return with_them


def _default(name: str) -> bool | None:
    return False if name in FLAGS else None
