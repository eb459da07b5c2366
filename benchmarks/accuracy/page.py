"""docs/accuracy.md: the tables of `document` with the words round them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from benchmarks.accuracy import document as d
from benchmarks.accuracy.aims import aims
from benchmarks.accuracy.study import Study

CAUSES = Path(__file__).with_name("causes.md")
"""Written by hand: why an aim is missed, what was tried."""


def page(
    s: Study,
    real: pd.DataFrame | None,
    real_events: pd.DataFrame | None,
    curves: list[dict[str, object]],
    seconds: float,
) -> str:
    """The whole page as Markdown."""
    cases, found = s.cases, aims(s, real_events)
    refused = cases[cases.why.astype(str) != ""]
    turned = int(cases.turned.fillna(False).astype(bool).sum()) if "turned" in cases else 0
    good = int((cases["view"] == "good").sum())
    frames = int(s.legs.told.sum())
    parts = [
        "# How accurate the numbers are",
        "",
        "Written by `python -m benchmarks.accuracy`; change the benchmark, not this page. The same command "
        "writes `technique/data/error_table.json`, from which the program takes the error of each number.",
        "",
        f"**What was run.** The whole way from video to numbers on {len(cases)} rendered clips of invented "
        "runners whose motion is known exactly, no two alike in body, clothes or technique: 3-10 m/s; 60, 120 and "
        "240 frames per second; camera still, turned after the runner (with hand shake) or before a treadmill, "
        "0-30° off a side view, some rolled by up to 4°; runner, light, noise, shutter and compression varied. "
        "Each clip holds only about two strides, as little as a careless user films. The stature was given to "
        f"± 1 cm (1 SD). {good} of the clips are a good view (see below). {len(refused)} "
        f"{'was' if len(refused) == 1 else 'were'} refused; near and far were taken the wrong way "
        f"round in {turned}. Then the technique stage alone on measured running of eight real people at three "
        "speeds (Fukuchi et al. 2017, PeerJ 5:e3298), 24 trials cut into short clips, against force plates and "
        f"the whole of each trial. A clip costs about 25 s of one core to render and to look at, once; the rest "
        f"took {seconds / 60:.1f} minutes.",
        "",
        "**What this is not.** Rendered people are simpler than real ones: smooth clothes, even ground, strides "
        "that repeat exactly, joints where the drawn body has them. No real video with known truth is in here. "
        "Errors on your clip can be larger; compare like with like, which cancels much of the bias.",
        "",
        "## The aims",
        "",
        d.aims_table(found),
        "",
        "Good view: at most 12° off a side view as the program itself judges it, and a leg of 85 px or more "
        '(about 175 px of stature). MAE: mean absolute error. "Every frame" takes each clip\'s mean over all its '
        "frames, then the mean over clips.",
        "",
        CAUSES.read_text(encoding="utf-8").strip() if CAUSES.exists() else "",
        "",
        "## Every measure on rendered runners",
        "",
        "Value of a clip minus the truth. Limits of agreement: bias ± 1.96 SD (Bland and Altman 1986). Coverage: "
        "share of clips whose interval held the truth, the interval taken from a table that was fitted on the "
        "*other* half of the clips (split by clip, so by body and motion), with its exact 95 % interval "
        "(Clopper and Pearson) and whether it lies in 90-99 %. Two parts of the interval are left out there, "
        "because rendered runners can't have what they allow for: the strides' own variation (rendered strides "
        "repeat exactly) and half the correction (a real runner's bias may differ from the drawn runners', whose "
        "it is); the last column has both in. Errors are those after the correction, fitted on the other half "
        'too; "as read": without it. The elbow\'s truth is the angle in space, of which a side view shows a '
        "projection. Forces have no truth here: they are held against the same reckoning on exact points, which "
        "leaves out the error of the reckoning.",
        "",
        d.measures_table(s),
        "",
        "![Errors against the truth](pictures/accuracy-agreement.svg)",
        "",
        "### What is taken out of the values",
        "",
        "Fitted on all clips, so that it is what the program uses. Only values from points of the pose model "
        f"{' and '.join(f'`{name}`' for name in s.table.pose_models)} are corrected; curves, angles of single "
        "frames and the points drawn on the picture are not, but for the elbow, which is told as the angle in "
        f"space with a bent arm taken to lead {s.table.arm_out_deg:g}° out of the plane "
        "(`technique.angles.elbow_in_space`) throughout.",
        "",
        d.corrections_table(s),
        "",
        "## Joint angles of every frame",
        "",
        "Mean absolute error, in brackets the bias, then the number of clips.",
        "",
        d.angles_table(s),
        "",
        "![Errors of joint angles](pictures/accuracy-angles.svg)",
        "",
        "## Touchdown and toe-off",
        "",
        "Rendered truth is the exact first and last contact; force is 50 N, told by a model fitted without that "
        "runner. 240/s markers are interpolated from 150.",
        "",
        d.events_table(s, real_events),
        "",
        "![Errors of events](pictures/accuracy-events.svg)",
        "",
        "## Where it breaks down",
        "",
        "Mean absolute error on the near side (or body); bold: half as much again as over all clips, or worse.",
        "",
        d.breakdown_table(s),
        "",
        "![Errors against the factors](pictures/accuracy-factors.svg)",
        "",
        f"**Legs.** {found[-1].reached} exchanged, of {frames} frames in which that can be told.",
        "",
        "## Do the intervals hold?",
        "",
        d.coverage_summary(s),
        "",
        "Near and far, good and poor view (claimed half-width, MAE, coverage, share refused):",
        "",
        d.views_table(s),
        "",
        "![Coverage of the intervals](pictures/accuracy-coverage.svg)",
    ]
    if real is not None:
        parts += [
            "",
            "## People on a treadmill, technique stage alone",
            "",
            "Clips of 2.2 s against the whole ten seconds: the interval must cover how strides vary. The pose "
            "model's part is left out of it, since there is no pose model here. Noise: 1 % of the leg (8 mm) with "
            "a memory of 20 ms on every point.",
            "",
            d.real_table(real),
        ]
    if curves:
        rows = [
            (
                f"{c['speed']} m/s",
                str(c["side"]),
                str(c["joint"]),
                f"{c['rms']:.1f}",
                f"{c['offset']:+.1f}",
                f"{c['rms_without_offset']:.1f}",
                f"{c['r']:.3f}",
            )
            for c in curves
        ]
        parts += [
            "",
            "Runner 002 against the authors' own published curves (three-dimensional, filtered; ours in the plane "
            "of travel, unfiltered, over 0-100 % of the cycle):",
            "",
            d.table(
                ("speed", "side", "joint", "RMS, °", "offset, °", "RMS without it, °", "correlation"), rows
            ),
        ]
    return "\n".join(parts) + "\n"
