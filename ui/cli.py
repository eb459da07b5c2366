"""The command line: ``laneside measure CLIP --out DIR`` and its companions.

Heavy imports happen inside the commands, so that ``laneside --help`` answers at once.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer
from typer.exceptions import TyperException

from shared.errors import Cancelled, LanesideError
from ui.cli_options import (
    AthleteAt,
    BeltSpeed,
    BlurFace,
    Cache,
    CaptureRate,
    Clip,
    Effort,
    Injury,
    LegLength,
    Marked,
    Mass,
    Minor,
    Out,
    Profile,
    Sex,
    Stature,
    Units,
    Video,
    Weights,
    options_said,
)
from ui.history_cli import register

app = typer.Typer(
    name="laneside",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Running technique in numbers with honest errors, from one phone clip, on your own machine.",
)


@app.command()
def measure(
    clip: Clip,
    out: Out = Path("laneside_result"),
    stature: Stature = None,
    mass: Mass = None,
    leg_length: LegLength = None,
    sex: Sex = None,
    capture_rate: CaptureRate = None,
    profile: Profile = "easy-run",
    belt_speed: BeltSpeed = None,
    athlete: AthleteAt = None,
    marked_distance: Marked = None,
    weights: Weights = None,
    effort: Effort = "standard",
    minor: Minor = False,
    injury: Injury = False,
    video: Video = True,
    cache: Cache = True,
    blur_face: BlurFace = None,
    units: Units = "metric",
) -> None:
    """Measure a clip: numbers, curves, cues, pictures and a report in one folder."""
    options = options_said(locals())
    from ui.job import measure_apart
    from ui.terminal import progress_bars, summary

    with progress_bars() as progress:
        result = measure_apart(clip, out, options, progress)
    summary(result, options.imperial)


@app.command()
def batch(
    source: Annotated[Path, typer.Argument(help="A folder of clips, or a list of paths, one a line.")],
    out: Out = Path("laneside_batch"),
    profile: Profile = "easy-run",
    stature: Stature = None,
    mass: Mass = None,
    capture_rate: CaptureRate = None,
    belt_speed: BeltSpeed = None,
    effort: Effort = "standard",
    minor: Minor = False,
    injury: Injury = False,
    video: Video = True,
    blur_face: BlurFace = None,
    cache: Cache = True,
    units: Units = "metric",
    workers: Annotated[int, typer.Option("--workers", help="Clips measured at the same time.")] = 1,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="Use other machines: address of a Dask scheduler, tcp://HOST:PORT."),
    ] = None,
) -> None:
    """Measure many clips; one table at the end. Start it again after a stop: what is done stays done."""
    options = options_said(locals())
    from ui.batch import TABLE_NAME, clips_in, measure_batch, say

    rows = measure_batch(
        clips_in(source),
        out,
        options,
        workers,
        lambda row, done, total: say(row, done, total, typer.echo),
        scheduler,
        typer.echo,
    )
    typer.echo(f"Table: {out / TABLE_NAME}")
    if any(row.state == "failed" for row in rows):
        raise typer.Exit(1)


@app.command()
def check(
    clip: Clip,
    capture_rate: CaptureRate = None,
    stature: Stature = None,
) -> None:
    """Say in seconds whether a clip is suited, and for what, before measuring it."""
    options = options_said(locals())
    from ui.job import check_apart
    from ui.terminal import print_findings, progress_bars

    with progress_bars() as progress:
        findings = check_apart(clip, options, progress)
    print_findings(clip, findings)


@app.command()
def profiles() -> None:
    """List the built-in profiles of targets."""
    from ui.terminal import print_profiles

    print_profiles()


@app.command()
def demo(out: Out = Path("demo_result")) -> None:
    """Run the main job on an invented sample clip and say where the report is."""
    from ui.demo import run_demo

    run_demo(out)


@app.command()
def page(
    port: Annotated[int, typer.Option("--port", help="Port on this machine.")] = 8501,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the browser.")] = True,
    address: Annotated[
        str, typer.Option("--address", help="Share it in your network at this address; needs a password.")
    ] = "127.0.0.1",
    set_password: Annotated[
        bool, typer.Option("--set-password", help="Ask for the page's password, keep its hash, and end.")
    ] = False,
) -> None:
    """Start the page: on this machine only, or with --address and a password in your network."""
    if set_password:
        from ui.access import keep_password

        word = typer.prompt("Password of the page", hide_input=True, confirmation_prompt=True)
        typer.echo(f"Kept as a slow hash in {keep_password(word)}")
        return
    from ui.serve import serve_page

    raise typer.Exit(serve_page(port, browser, address))


@app.command()
def version() -> None:
    """Print the version."""
    from importlib.metadata import version as installed

    typer.echo(installed("laneside"))


register(app)

STOPPED = "Stopped; nothing half-made was left behind."


def _stop(signum: int, frame: object) -> None:
    raise KeyboardInterrupt


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; every failure is one line on standard error and a non-zero exit.

    Returns
    -------
    int
        Exit code.
    """
    # Many small matrices: threads inside the linear algebra cost more than they bring.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    previous = signal.signal(signal.SIGTERM, _stop)
    try:
        code = app(args=arguments, standalone_mode=False)
    except LanesideError as error:
        return _fail(str(error), error.exit_code)
    except typer.Abort:
        return _fail(STOPPED, Cancelled.exit_code)
    except TyperException as error:
        return _fail(f"{error.format_message().rstrip('.')}; see laneside --help.", 2)
    except KeyboardInterrupt:
        return _fail(STOPPED, Cancelled.exit_code)
    except BrokenPipeError:
        # The reader of our output went away (for instance `| head`); nothing is left to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except MemoryError:
        return _fail("The machine ran out of memory; close other programs or use a smaller clip.", 12)
    finally:
        signal.signal(signal.SIGTERM, previous)
    if code == Cancelled.exit_code:  # the library turns Ctrl-C into this code without a word
        return _fail(STOPPED, Cancelled.exit_code)
    return code if isinstance(code, int) else 0


def _fail(sentence: str, code: int) -> int:
    print(" ".join(sentence.split()), file=sys.stderr)
    return code


if __name__ == "__main__":
    sys.exit(main())
