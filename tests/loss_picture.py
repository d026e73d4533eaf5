"""The picture in the documentation: how often three methods lose more than so much, against a margin.

Written by ``python tests/loss_picture.py``; a test fails when it no longer shows what the shipped policy says.
"""

from __future__ import annotations

import os
from pathlib import Path

from repairadvisor.methods import prepared_method
from repairadvisor.optics.joint_law import JointLaw
from repairadvisor.settings import cache_folder

PICTURE = Path(__file__).resolve().parent.parent / "repairadvisor" / "optics" / "loss_of_three_methods.svg"
CURVES = (
    ("fusion_splice", "1", "fused at a bench", "none"),
    ("mechanical_splice", "1.15", "gel joint in the open", "9 5"),
    ("field_fit_stub", "1.15", "field-fit plug with its pair", "2 5"),
)
MARGIN_DB, WIDEST_DB = 0.5, 1.2
LEFT, TOP, WIDE, HIGH = 70, 24, 600, 300


def picture() -> str:
    """The picture as SVG."""
    laws = prepared_method(cache_folder(os.environ)).rules.light.laws
    lines = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 720 390" font-family="sans-serif" font-size="13">',
        "<title>How often one joint loses more than so much, three methods against a margin of 0.5 dB</title>",
        '<rect width="720" height="390" fill="#ffffff"/>',
        *_grid(),
        _rect(_x(MARGIN_DB), _x(WIDEST_DB) - _x(MARGIN_DB)),
        f'<text x="{_x(MARGIN_DB) + 8:.1f}" y="{TOP + 18}">beyond a margin of {MARGIN_DB:g} dB</text>',
    ]
    for number, (method, factor, name, dashes) in enumerate(CURVES):
        law = laws[method, "single_mode", factor, 1310, 4.6]
        pen = f'stroke="#1b1b1b" stroke-width="2" stroke-dasharray="{dashes}"'
        y = TOP + 60 + 24 * number
        lines.append(f'<polyline fill="none" {pen} points="{_points(law)}"/>')
        lines.append(f'<line x1="352" x2="392" y1="{y - 4}" y2="{y - 4}" {pen}/>')
        lines.append(f'<text x="400" y="{y}">{name}: {100.0 * law.tail(0, MARGIN_DB):.1f} in 100</text>')
    return "\n".join([*lines, "</svg>", ""])


def _rect(x: float, width: float) -> str:
    return f'<rect x="{x:.1f}" y="{TOP}" width="{width:.1f}" height="{HIGH}" fill="#000000" fill-opacity="0.07"/>'


def _x(loss_db: float) -> float:
    return LEFT + WIDE * loss_db / WIDEST_DB


def _y(chance: float) -> float:
    return TOP + HIGH * (1.0 - chance)


def _points(law: JointLaw) -> str:
    return " ".join(f"{_x(0.01 * i):.1f},{_y(law.tail(0, 0.01 * i)):.1f}" for i in range(int(100 * WIDEST_DB) + 1))


def _grid() -> list[str]:
    lines = []
    for tenth in range(0, 13, 2):
        x = _x(tenth / 10)
        lines.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{TOP + HIGH}" stroke="#cccccc"/>')
        lines.append(f'<text x="{x:.1f}" y="{TOP + HIGH + 20}" text-anchor="middle">{tenth / 10:g}</text>')
    for part in range(0, 101, 25):
        y = _y(part / 100)
        lines.append(f'<line x1="{LEFT}" x2="{LEFT + WIDE}" y1="{y:.1f}" y2="{y:.1f}" stroke="#cccccc"/>')
        lines.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{part}</text>')
    middle = LEFT + WIDE / 2
    lines.append(
        f'<text x="{middle}" y="{TOP + HIGH + 44}" text-anchor="middle">loss of one joint, dB at 1310 nm</text>'
    )
    lines.append(f'<text x="{LEFT}" y="16" text-anchor="start">of 100 joints, so many lose more</text>')
    return lines


if __name__ == "__main__":
    PICTURE.write_text(picture(), encoding="utf-8")
