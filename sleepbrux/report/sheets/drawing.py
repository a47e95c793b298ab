"""Where the electrodes go: a line drawing of the side of a face, our own (common practice, no source)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import escape

from sleepbrux.report.letter.nights import clean

WIDTH, HEIGHT = 470, 300
INK, GREY, SHADE, ACCENT = "#1b1f23", "#5b636b", "#dfe5e8", "#1c4a5b"
FONT = "Libertinus Serif, Georgia, serif"
LONGEST = 34

PROFILE = (
    "M232 52C243 66 248 80 248 96C247 104 243 108 245 116L268 152C271 158 266 162 254 163"
    "L255 172C262 176 261 181 252 183C260 187 260 193 252 197C249 202 254 208 256 218"
    "C257 234 246 244 226 243C200 238 172 228 150 212C141 205 137 190 136 176"
)
SKULL = "M232 52C214 26 184 14 150 14C92 14 46 58 46 116C46 152 60 176 82 192C92 202 94 226 88 272"
THROAT = "M222 243C208 250 202 262 204 282"
HAIR = "M228 46C214 58 204 66 198 82C190 100 170 106 152 116"
EYE = "M213 114C220 106 231 106 236 110C231 118 221 119 213 114Z"
EAR = "M134 140C136 118 112 112 106 130C102 144 112 156 112 168C114 180 128 178 130 166"
TRAGUS = "M134 140C130 146 131 154 135 158"
ARCH = "M138 148C160 142 186 142 214 138"
MASSETER = "M168 144C180 141 200 141 210 141C204 168 193 196 183 221C171 217 160 212 153 206C154 190 160 166 168 144Z"
TEMPORALIS = (
    "M172 138C156 132 134 116 120 100C122 66 150 44 184 48C206 52 218 70 216 92C210 108 200 124 196 138"
    "C188 140 180 140 172 138Z"
)
SITES = {  # electrodes of a pair, and where its label ends the line
    "masseter": ((185, 168), (174, 197)),
    "temporalis": ((208, 82), (203, 103)),
}
SHAPES = {"masseter": MASSETER, "temporalis": TEMPORALIS}
LABELS = {"masseter": (290, 224), "temporalis": (290, 60)}
COMMON = ((104, 190), (236, 68))  # mastoid, forehead


@dataclass(frozen=True)
class Placement:
    """The drawing with the words that stand in for it."""

    svg: str
    alt: str


def _path(d: str, *, colour: str = INK, width: float = 1.6, fill: str = "none", dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{d}" fill="{fill}" stroke="{colour}" stroke-width="{width}" stroke-linecap="round"{dashed}/>'


def _words(x: float, y: float, words: str, *, bold: bool = False, fill: str = INK) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x}" y="{y}" fill="{fill}"{weight}>{escape(clean(words))}</text>'


def _dot(x: float, y: float, *, hollow: bool = False) -> str:
    fill = "#ffffff" if hollow else ACCENT
    return f'<circle cx="{x}" cy="{y}" r="6" fill="{fill}" stroke="{ACCENT}" stroke-width="1.8"/>'


def placement(muscles: Mapping[str, Sequence[str]]) -> Placement:
    """The sites of the muscles that are recorded.

    Parameters
    ----------
    muscles
        Names of channels by muscle, ``"masseter"`` or ``"temporalis"``; others are not drawn.

    Returns
    -------
    Placement

    Examples
    --------
    >>> placement({"masseter": ["EMG Mass L", "EMG Mass R"]}).alt[:62]
    'Side of a face, nose to the right. Masseter (EMG Mass L, EMG M'
    """
    drawn = {muscle: names for muscle, names in muscles.items() if muscle in SITES}
    parts = [_path(SHAPES[muscle], colour=GREY, width=0.8, fill=SHADE) for muscle in drawn]
    parts += [_path(d) for d in (PROFILE, SKULL, THROAT, EYE, EAR, TRAGUS)]
    parts += [_path(HAIR, colour=GREY, width=1, dash="5 4"), _path(ARCH, colour=GREY, width=1, dash="2 4")]
    said = []
    for muscle, names in drawn.items():
        first, second = SITES[muscle]
        x, y = LABELS[muscle]
        middle = ((first[0] + second[0]) / 2, (first[1] + second[1]) / 2)
        parts += [
            _path(f"M{middle[0]} {middle[1]}L{x - 5} {y - 4}", colour=GREY, width=0.9),
            _dot(*first),
            _dot(*second),
            _words(x, y, muscle.capitalize(), bold=True),
            _words(x, y + 15, _short(", ".join(names)), fill=GREY),
            _words(x, y + 30, "pair along the fibres, 20 mm", fill=GREY),
        ]
        said.append(f"{muscle.capitalize()} ({', '.join(names)}): {WHERE[muscle]}, a pair along the fibres.")
    parts += _landmarks()
    alt = " ".join(
        (
            "Side of a face, nose to the right.",
            *said,
            "The common electrode goes on bone: behind the ear or on the forehead.",
        )
    )
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="{FONT}" '
        f'font-size="12">{"".join(parts)}</svg>'
    )
    return Placement(svg, alt)


WHERE = {
    "masseter": "on the belly of the muscle, half-way between cheekbone and jaw angle",
    "temporalis": "in front of the hairline, above and behind the corner of the eye",
}


def _short(words: str) -> str:
    return words if len(words) <= LONGEST else f"{words[: LONGEST - 1]}…"


def _landmarks() -> list[str]:
    """The common electrode, and the landmarks from which the distances are taken."""
    (ax, ay), (bx, by) = COMMON
    return [
        _dot(ax, ay, hollow=True),
        _dot(bx, by, hollow=True),
        _path(f"M{bx + 6} {by - 2}L285 25", colour=GREY, width=0.9),
        _words(290, 22, "Common electrode, on bone:", bold=True),
        _words(290, 37, "forehead, or behind the ear", fill=GREY),
        _path("M238 112L285 117", colour=GREY, width=0.9),
        _words(290, 121, "corner of the eye", fill=GREY),
        _path("M136 152C180 158 240 158 285 149", colour=GREY, width=0.9),
        _words(290, 152, "tragus of the ear", fill=GREY),
        _path("M152 213L285 274", colour=GREY, width=0.9),
        _words(290, 278, "jaw angle", fill=GREY),
    ]
