"""The command line: one module a verb, no arithmetic, nothing heavy imported before it is needed."""

from __future__ import annotations

import importlib
import os
import sys
import traceback

import click

from sleepbrux.cli import terminal
from sleepbrux.core.errors import SleepbruxError, UsageError
from sleepbrux.core.version import __version__

VERBS = {
    "start": "Open a page in the browser: from recordings to a letter, without a further command.",
    "demo": "Write an invented study, score every night and say where to look.",
    "score": "Score recordings and write report, tables and archive for each.",
    "batch": "Score many nights side by side, resume where it stopped, one table.",
    "inspect": "Show what a recording holds: channels, gaps, marks, first look at quality.",
    "study": "Draft a study file from a folder; check what it still lacks.",
    "protocol": "Chair sheet and patient sheet of a study, as PDF.",
    "chair": "Lead through the clench test with a live stream, and keep the recording.",
    "reference": "Measure rest and maximal clenches of a recording; find them where no mark does.",
    "clench": "Maximal clenches by appliance: levels in % of natural teeth.",
    "robustness": "Score an archived night under many rules: does the reading hold?",
    "compare": "With and without an appliance: does it do more than nights vary anyway?",
    "review": "Look at a scored night in the browser, and decide.",
    "agreement": "Two scorings of the same nights: a person's, a rule's, a reviewed one.",
    "cohort": "Many persons with and without an appliance.",
    "plan": "How many nights a comparison needs, and when to wear what.",
    "summary": "Several nights of a study, condition by condition.",
    "report": "The page about a night, made again from its archive.",
    "letter": "A letter of one or two pages for the sleep physician, as PDF and HTML.",
    "export": "Files for other programs: CSV, JSON, EDF+, BIDS, FHIR, a study table.",
    "trace": "From a number of a night down to its samples.",
    "deidentify": "Copy a recording without what names a person or a device.",
    "criteria": "List, show and check the scoring criteria.",
}


class _Verbs(click.Group):
    """Verbs that are imported only when they are run."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        del ctx
        if cmd_name not in VERBS:
            return None
        module = importlib.import_module(f"sleepbrux.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(VERBS.items()))


@click.group(
    cls=_Verbs,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="sleepbrux is not a medical device and makes no diagnosis.",
)
@click.version_option(__version__, message="sleepbrux %(version)s")
def cli() -> None:
    """Score overnight home recordings of the jaw muscles."""


def main(arguments: list[str] | None = None) -> None:
    """Run the command; exits with 0 done, 1 some night failed, 2 wrong usage, 130 interrupted."""
    # numpy's BLAS starts a thread a core, and each waits by spinning: 0.1 s of a score process
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with terminal.all_shown():
        sys.exit(_code(arguments))


def _code(arguments: list[str] | None) -> int:
    """Exit code of a run; whatever went wrong has been said."""
    try:
        code = cli.main(arguments, prog_name="sleepbrux", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return 2
    except SleepbruxError as error:
        click.echo(f"sleepbrux: {error}", err=True)
        return 2 if isinstance(error, UsageError) else 1
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        click.echo(f"sleepbrux: {where}{error.strerror or error}", err=True)
        return 1
    except (KeyboardInterrupt, click.Abort):
        click.echo("sleepbrux: interrupted", err=True)
        return 130
    except Exception:
        traceback.print_exc()  # a fault of the program, shown whole, but on the terminal's terms
        return 1
    return code if isinstance(code, int) else 0
