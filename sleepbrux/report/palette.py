"""The colours of every page, light and dark: one table for style sheets, drawings and scripts.

A kind of episode has its own colour and shape, a condition has others, and no sign serves for both.
"""

from __future__ import annotations

import json

LIGHT = {
    "head": "#1d242b",
    "head-ink": "#ffffff",
    "paper": "#f4f6f7",
    "sheet": "#ffffff",
    "ink": "#1d242b",
    "soft": "#525d67",
    "rule": "#d5dbdf",
    "edge": "#838d96",
    "accent": "#1f5a73",
    "wash": "#dfeaef",
    "phasic": "#0b6c93",
    "tonic": "#bd5a00",
    "mixed": "#6a2f86",
    "unclassified": "#5c5c5c",
    "limit": "#a3154f",
    "outside": "#e6eaec",
    "hatch": "#727c85",
    "bar": "#6d8896",
    "c0": "#545b62",
    "c1": "#1a7a55",
    "c2": "#8a6a00",
    "c3": "#3949b0",
    "c4": "#8a4a2b",
    "c5": "#007c8a",
    "c6": "#9a3d96",
    "c7": "#4f7a00",
}
DARK = {
    "head": "#2a323a",
    "head-ink": "#e7ebee",
    "paper": "#12171c",
    "sheet": "#1a2128",
    "ink": "#e7ebee",
    "soft": "#a9b3bc",
    "rule": "#36414b",
    "edge": "#77838e",
    "accent": "#82c3e0",
    "wash": "#24343f",
    "phasic": "#5cb8e4",
    "tonic": "#f2a24d",
    "mixed": "#cf9fe6",
    "unclassified": "#b0b4b8",
    "limit": "#ff86ab",
    "outside": "#2a323a",
    "hatch": "#8b959e",
    "bar": "#7d9aaa",
    "c0": "#b9c0c6",
    "c1": "#66cb9f",
    "c2": "#dcbb4e",
    "c3": "#a6b4ff",
    "c4": "#dd9f7d",
    "c5": "#5cc7d6",
    "c6": "#e6a1e2",
    "c7": "#a9d65a",
}


def variables() -> str:
    """Both palettes as custom properties; print is always light."""

    def rule(colours: dict[str, str], scheme: str) -> str:
        named = " ".join(f"--{name}: {value};" for name, value in colours.items())
        return f":root {{ color-scheme: {scheme}; {named} }}"

    return (
        f"{rule(LIGHT, 'light')}\n@media screen and (prefers-color-scheme: dark) {{ {rule(DARK, 'dark')} }}\n"
    )


def script() -> str:
    """Both palettes for a page's script."""
    return f"const PALETTES = {json.dumps({'light': LIGHT, 'dark': DARK}, separators=(',', ':'))};\n"
