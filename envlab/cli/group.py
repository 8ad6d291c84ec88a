"""The command itself: the order of its verbs, how it ends, and what it says of errors."""

from __future__ import annotations

import difflib
import warnings
from typing import Any

import click

from envlab import __version__
from envlab.cli.saying import note, paint
from envlab.errors import EnvlabError, EnvlabWarning, NotJudgedError

REFUSED_EXIT, USAGE_EXIT, FLASHING_EXIT, NOT_JUDGED_EXIT, NOT_WITHIN_EXIT, INTERRUPTED_EXIT = (
    1,
    2,
    3,
    4,
    5,
    130,
)

# As the job goes, not by alphabet.
_ORDER = (
    "level",
    "span",
    "parts",
    "design",
    "sweep",
    "tolerance",
    "feedback",
    "supply",
    "bench-signals",
    "capture",
    "check-board",
    "fit-board",
    "trim-boards",
    "night-after",
    "simulate",
    "notebooks",
    "table",
    "schema",
)

EXIT_WORDS = """\b
Exit status:
  0    done
  1    refused; one line says what is wrong, and nothing half-written is left
  2    the command is not typed right
  3    the flash limit is not kept: by no candidate (design), by the design
       (tolerance)
  4    nothing could be judged: no clip can show how often the lights flash
  5    the board is not within its tolerances (check-board)
  130  interrupted with Ctrl-C
"""


class _Refusal(click.ClickException):
    """An error that envlab raises on purpose: one line."""

    exit_code = REFUSED_EXIT

    def show(self, file: Any = None) -> None:
        click.echo(f"{paint('Error:', fg='red', bold=True)} {self.format_message()}", err=True, file=file)


class _NotJudged(_Refusal):
    """The same, where nothing could be judged."""

    exit_code = NOT_JUDGED_EXIT


def _is_interruption(problem: BaseException | None) -> bool:
    """Whether Ctrl-C is the cause: into code in C, as while a loop is loaded, it comes out as SystemError."""
    while problem is not None and not isinstance(problem, KeyboardInterrupt):
        problem = problem.__cause__ or problem.__context__
    return problem is not None


class Verbs(click.Group):
    """Lists the verbs in the order of the job; every error meant for the user is one line and an exit."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the verbs in the order of the job."""
        del ctx
        return sorted(self.commands, key=lambda verb: (_ORDER.index(verb) if verb in _ORDER else 99, verb))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the verbs with their whole sentence, not the start of one."""
        rows = [(verb, self.commands[verb].short_help or "") for verb in self.list_commands(ctx)]
        with formatter.section("Verbs"):
            formatter.write_dl(rows)

    def resolve_command(self, ctx: click.Context, args: list[str]) -> Any:
        """Find the verb, or name the one that was likely meant."""
        if args and args[0] not in self.commands and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], self.commands, n=1)
            hint = (
                f"did you mean {near[0]!r}?" if near else f"there are {', '.join(self.list_commands(ctx))}."
            )
            ctx.fail(f"No such verb {args[0]!r}; {hint}")
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a verb; say notes, errors and interruptions in one line each."""

        told: set[str] = set()

        def show(message: Warning | str, *_: Any, **__: Any) -> None:
            # A clip at nine levels, read again for every study, is one thing to know.
            if str(message) not in told:
                told.add(str(message))
                note(str(message), ctx)  # it may come from another thread, which knows of no context

        with warnings.catch_warnings():
            warnings.showwarning = show
            warnings.simplefilter("always", EnvlabWarning)
            try:
                return super().invoke(ctx)
            except NotJudgedError as problem:
                raise _NotJudged(str(problem)) from None
            except EnvlabError as problem:
                raise _Refusal(str(problem)) from None
            except MemoryError:
                raise _Refusal("out of memory; use a shorter clip or fewer candidates") from None
            except (KeyboardInterrupt, SystemError) as problem:
                if not _is_interruption(problem):
                    raise
                click.echo("Interrupted; nothing was written.", err=True)
                raise click.exceptions.Exit(INTERRUPTED_EXIT) from None


@click.group(
    cls=Verbs,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    invoke_without_command=True,
    subcommand_metavar="VERB ...",
    epilog=EXIT_WORDS,
)
@click.version_option(__version__, prog_name="envlab")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Choose the parts of a microphone envelope detector, judge its lights, and export its brightness table.

    \b
    Examples:
      envlab design        the lantern parade; writes lantern-parade/report.html
      envlab design mine.toml --clip song.flac --level 95 --out my-night
      envlab notebooks     the same with pictures, sound and knobs

    `envlab VERB --help` explains a verb, with an example.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
