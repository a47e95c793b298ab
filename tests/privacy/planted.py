"""A name, a birth date, a start date and other words planted in every field of every kind of input.

Each source of words has a word of its own, so that what is found in an output tells where it came from.
"""

from __future__ import annotations

import base64
import html
import io
import json
import re
import struct
import unicodedata
import urllib.parse
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import h5py
import numpy as np

from sleepbrux.criteria import load_criterion
from tests.nights import rhythm, signal_of
from tests.recording.build import Signal, edf_plus, tal, times

RATE = 500
SECONDS = 240
BURSTS = [*rhythm(100, 4), (140.0, 143.0, 90.0), (180.0, 180.5, 80.0), (200.0, 200.07, 300.0)]
CLENCHES = [(12.0, 15.0, 200.0), (22.0, 25.0, 200.0), (32.0, 35.0, 200.0)]

# Source of a word, and the word; accents, so that every way of losing them is tried.
WORDS = {
    "patient": "Quixöte",
    "number": "7734512",
    "recorder": "Zwirbelgerät",
    "transducer": "Hänsel0815",
    "reserved": "Reserväta",
    "prefilter": "Filterfürst",
    "unit": "Dimfräu",
    "annotation": "Dulcinëa",
    "label": "Rocinänt",
    "file": "Zaragössa",
    "folder": "Barcelönia",
    "study note": "Sanchopänza",
    "study medicine": "Pillenhügel",
    "study letter": "Briefträger",
    "study reference": "Bezügsbel",
    "appliance": "Schienenfränz",
    "reader": "Cervänteros",
    "companion": "Nebenhöhler",
    "metadata": "Metadätan",
    "row": "Zeilenwürf",
    "position": "Lagenbürg",
    "rule text": "Regelknäuel",
}
BIRTH = date(1951, 5, 2)
START = date(2019, 11, 27)
CLENCH_DAY = date(2019, 10, 16)
RUN = datetime.now(UTC).date()
DATES = {"birth date": BIRTH, "start date": START, "clench date": CLENCH_DAY, "run day": RUN}
SOURCES = (*WORDS, *DATES)


def _plain(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def spellings(word: str) -> set[bytes]:
    """Bytes by which a word may stand in a file, in lower case."""
    two = word.translate({ord(a): b for a, b in zip("äöüë", ("ae", "oe", "ue", "e"), strict=True)})
    lost = {re.sub(r"[^\x00-\x7f]", stand, word) for stand in ("?", "??", "_", "", "�")}
    texts = {word, word.upper(), word.lower(), _plain(word), two, *lost}
    texts |= {word.encode().decode("latin-1")}
    written = set()
    for text in texts:
        for form in (
            text,
            html.escape(text),
            "".join(f"&#{ord(c)};" if ord(c) > 127 else c for c in text),
            json.dumps(text)[1:-1],
            urllib.parse.quote(text),
        ):
            for code in ("utf-8", "latin-1", "cp437", "utf-16-le", "utf-16-be"):
                written.add(form.encode(code, "ignore").lower())
    return {raw for raw in written if len(raw) >= len(word) - 1}


def date_spellings(day: date) -> set[bytes]:
    """Bytes by which a date may stand in a file, in lower case; the longer forms only."""
    forms = [
        "%d.%m.%y",
        "%d-%m-%y",
        "%d/%m/%y",
        "%d.%m.%Y",
        "%d-%m-%Y",
        "%d/%m/%Y",
        "%m/%d/%Y",
        "%Y-%m-%d",
        "%Y%m%d",
        "%Y/%m/%d",
        "%d-%b-%Y",
        "%d %B %Y",
        "%B %d, %Y",
        "%d %b %Y",
    ]
    texts = {day.strftime(form) for form in forms}
    texts |= {text.lstrip("0") for text in texts if text[:1] == "0"}
    return {t.lower().encode(c) for t in texts for c in ("utf-8", "utf-16-le")}


_NEEDLES = {name: spellings(word) for name, word in WORDS.items()} | {
    name: date_spellings(day) for name, day in DATES.items()
}
_NEEDLES["run day"] |= date_spellings(RUN + timedelta(days=1))  # a run over midnight


def _unpacked(content: bytes) -> Iterator[bytes]:
    """The bytes, what is packed in base64 in them, and the text of a PDF."""
    yield content
    for run in re.findall(rb"[A-Za-z0-9+/]{24,}", content):
        yield base64.b64decode(run[: len(run) // 4 * 4])
    if content.startswith(b"%PDF"):
        import pypdf

        pdf = pypdf.PdfReader(io.BytesIO(content))
        yield json.dumps({k: str(v) for k, v in (pdf.metadata or {}).items()}, ensure_ascii=False).encode()
        for page in pdf.pages:
            yield re.sub(r"\s+", " ", page.extract_text()).encode()


def found_in(content: bytes) -> set[str]:
    """Sources whose word or date stands in some bytes."""
    found = set()
    for raw in _unpacked(content):
        lower = raw.lower()
        found |= {name for name, needles in _NEEDLES.items() if any(n in lower for n in needles)}
    return found


def found_in_files(paths: Iterable[Path], base: Path) -> dict[str, set[str]]:
    """Source to the files that hold its word, in themselves or in their name below ``base``."""
    found: dict[str, set[str]] = {}
    for path in paths:
        name = path.relative_to(base).as_posix()
        for source in found_in(path.read_bytes()) | found_in(name.encode()):
            found.setdefault(source, set()).add(name)
    return found


def signals(seed: int = 0, *, clenches: bool = True) -> np.ndarray:
    """Two channels of EMG in µV."""
    bursts = (CLENCHES if clenches else []) + BURSTS
    return np.stack([signal_of(bursts, seconds=SECONDS, rate=RATE, seed=seed + k) for k in range(2)])


def edf(
    path: Path,
    *,
    seed: int = 0,
    clenches: bool = True,
    marked: bool = True,
    teeth: str = "natural teeth",
    day: date = START,
) -> Path:
    """An EDF+ recording with a word in every field of its header, in labels and in annotations."""
    uv = np.clip(signals(seed, clenches=clenches), -3200, 3200)
    digital = np.rint(uv * 10).astype(int).reshape(2, SECONDS, RATE)
    cells = {name: WORDS[name].encode("latin-1") for name in ("transducer", "reserved", "prefilter")}
    cells["prefilter"] = b"HP:20Hz " + cells["prefilter"]
    scale = {"physical minimum": -3276.8, "physical maximum": 3276.7}
    emg = [
        Signal(digital[0].tolist(), {**cells, **scale, "label": "EMG Mass L"}),
        Signal(
            digital[1].tolist(),
            {**cells, **scale, "label": f"EMG R {WORDS['label']}".encode("latin-1")},
        ),
    ]
    slow = Signal(
        (digital[0, :, :10] // 3).tolist(),
        {**cells, "label": "Flow", "dimension": WORDS["unit"].encode("latin-1")},
    )
    lying = Signal(
        np.repeat([[10], [20]], SECONDS // 2, axis=0).tolist(), {"label": "Position", "dimension": ""}
    )
    said = [
        (2, "Rest", "8"),
        (5, f"Frau {WORDS['annotation']} hustet", "1"),
        (60, "Lights off", "0"),
    ]
    said += [(int(a), f"Clench {teeth}", "3") for a, _, _ in CLENCHES if clenches and marked]
    said += [(120, f"lights o {WORDS['annotation']}", "0"), (SECONDS - 5, "Lights on", "0")]
    extra = [(at, tal(f"+{at}", text, duration=length)) for at, text, length in said]
    marks = times([f"+{k}" for k in range(SECONDS)], *extra, annotation_bytes=200)
    born, begun = (f"{d:%d}-{d:%b}-{d.year}".upper() for d in (BIRTH, day))
    name, gear = (WORDS[k].encode("latin-1") for k in ("patient", "recorder"))
    file = edf_plus(
        *emg,
        slow,
        lying,
        marks,
        n_records=SECONDS,
        **{
            "patient": b"MCH-%s F %s %s" % (WORDS["number"].encode(), born.encode(), name),
            "recording": b"Startdate %s %s NN %s" % (begun.encode(), gear, gear),
            "start date": f"{day:%d.%m.%y}",
            "start time": "22.30.05",
        },
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    return file.write(path)


def wav(path: Path, *, seed: int = 0) -> Path:
    """A WAV file with words in its chunks for broadcast and lists, and in its cue texts."""
    from tests.recording.test_wav import chunk, form, riff

    uv = signals(seed)
    body = np.rint(uv.T * 10).astype("<i2").tobytes()
    said = f"{WORDS['metadata']} {BIRTH:%d.%m.%Y}".encode("latin-1")
    bext = said.ljust(256, b"\0") + said.ljust(32, b"\0") + said.ljust(32, b"\0")
    bext += f"{START:%Y-%m-%d}22:30:05".encode() + bytes(264)
    info = b"INFO" + chunk(b"IART", said) + chunk(b"ICMT", said) + chunk(b"INAM", said)
    text = f"Frau {WORDS['annotation']}".encode("latin-1") + b"\0"
    adtl = b"adtl" + chunk(b"labl", struct.pack("<I", 1) + text + b"\0" * (len(text) % 2))
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 3000, b"data", 0, 0, 3000)
    path.write_bytes(
        riff(
            chunk(b"bext", bext),
            chunk(b"LIST", info),
            form(1, 2, 16, RATE),
            chunk(b"data", body),
            chunk(b"cue ", cue),
            chunk(b"LIST", adtl),
        )
    )
    return path


def hdf5(path: Path, *, seed: int = 0) -> Path:
    """An HDF5 file with words in its attributes, groups and data sets."""
    with h5py.File(path, "w") as file:
        said = f"{WORDS['metadata']} {BIRTH:%d.%m.%Y}"
        file.attrs["patient"], file.attrs["comment"] = said, said
        file.attrs["start_time"] = f"{START:%Y-%m-%d}T22:30:05"
        group = file.create_group(WORDS["metadata"])
        for k, row in enumerate(signals(seed)):
            label = ("EMG Mass L", f"EMG R {WORDS['label']}")[k]
            data = group.create_dataset(label, data=row.astype("f4"))
            data.attrs["unit"], data.attrs["sampling_rate"], data.attrs["note"] = "uV", RATE, said
        group.create_dataset(f"extra {WORDS['metadata']}", data=np.arange(5.0))
    return path


def table(path: Path, *, seed: int = 0) -> Path:
    """A CSV file with words above the table, in its heads and in a column of texts."""
    uv = signals(seed)
    clock = [
        f"{START:%Y-%m-%d} 22:{30 + k // RATE // 60:02d}:{k // RATE % 60:02d}.{k % RATE * 2:03d}"
        for k in range(uv.shape[1])
    ]
    lines = [
        f"# patient: {WORDS['metadata']} born {BIRTH:%d.%m.%Y}",
        f"time;EMG Mass L;EMG R {WORDS['label']};marker",
    ]
    texts = {3000: f"Frau {WORDS['annotation']}", 30_000: "Lights off"}
    lines += [
        f"{c};{a:.1f};{b:.1f};{texts.get(k, '')}" for k, (c, a, b) in enumerate(zip(clock, *uv, strict=True))
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def brainvision(path: Path, *, seed: int = 0) -> Path:
    """A BrainVision triplet with words in comments, labels and markers."""
    uv = signals(seed)
    path.with_suffix(".eeg").write_bytes(np.rint(uv.T * 10).astype("<i2").tobytes())
    said = f"{WORDS['metadata']} {BIRTH:%d.%m.%Y}"
    header = [
        "Brain Vision Data Exchange Header File Version 1.0",
        f"; {said}",
        "[Common Infos]",
        "Codepage=UTF-8",
        f"DataFile={path.stem}.eeg",
        f"MarkerFile={path.stem}.vmrk",
        "DataFormat=BINARY",
        "DataOrientation=MULTIPLEXED",
        "NumberOfChannels=2",
        f"SamplingInterval={1_000_000 // RATE}",
        "[Binary Infos]",
        "BinaryFormat=INT_16",
        "[Channel Infos]",
        "Ch1=EMG Mass L,,0.1,µV",
        f"Ch2=EMG R {WORDS['label']},,0.1,µV",
        "[Comment]",
        said,
    ]
    path.write_text("\n".join(header) + "\n", encoding="utf-8")
    marker = [
        "Brain Vision Data Exchange Marker File, Version 1.0",
        "[Common Infos]",
        "Codepage=UTF-8",
        f"DataFile={path.stem}.eeg",
        "[Marker Infos]",
        f"Mk1=New Segment,,1,1,0,{START:%Y%m%d}223005000000",
        f"Mk2=Comment,Frau {WORDS['annotation']},3000,1,0",
    ]
    path.with_suffix(".vmrk").write_text("\n".join(marker) + "\n", encoding="utf-8")
    return path


def rule_file(path: Path) -> Path:
    """A rule set of one's own, with a word in its title, summary, departures and sources."""
    load_criterion("phasic_tonic_10mvc").derive(level_pct_mvc=12, id="mine").save(path)
    text = path.read_text("utf-8")
    for key in ('title = "', 'summary = "', 'departures = ["', 'source = "changed'):
        assert key in text
        text = text.replace(key, f"{key.removesuffix('changed')}{WORDS['rule text']} ")
    path.write_text(text, "utf-8")
    return path


def study(folder: Path, pseudonym: str = "P-07", *, nights: int = 7, seed: int = 0) -> Path:
    """A study of some nights and two chair recordings, with words in every field that is free."""
    name = WORDS["file"]
    for k in range(1, nights + 1):
        edf(folder / f"{name} {k}.edf", seed=seed + 7 * k, clenches=False)
    edf(folder / f"{name} chair.edf", seed=3, day=CLENCH_DAY)
    edf(folder / f"{name} splint.edf", seed=5, day=CLENCH_DAY, teeth=f"with {WORDS['appliance']}")
    stages = folder / f"{WORDS['companion']}.csv"
    row = f"Frau {WORDS['row']} *{BIRTH:%d.%m.%Y} klingelt"
    stages.write_text(f"onset,duration,stage\n0,60,W\n60,60,{row}\n120,120,N2\n", encoding="utf-8")
    fields = {
        "alcohol": "study note",
        "caffeine": "study note",
        "medication": "study medicine",
        "breathing_device": "study note",
        "electrode_note": "study note",
        "note": "study note",
    }
    free = "".join(f'{key} = "{WORDS[word]}"\n' for key, word in fields.items())
    path = folder / "study.toml"
    reference = WORDS["study reference"]
    path.write_text(
        f"""
pseudonym = "{pseudonym}"
criterion = "{rule_file(folder / "mine.toml").as_posix()}"
positions = {{ 1 = "{WORDS["position"]}", 2 = "supine" }}
score_against_appliance_clench = true
[letter]
pain = "{WORDS["study letter"]}"
recorder = "{WORDS["study letter"]}"
[[reference]]
id = "{reference}"
recording = "{name} chair.edf"
teeth = "natural"
placement = "same electrodes"
date = {CLENCH_DAY}
[[reference]]
id = "{reference} 2"
recording = "{name} splint.edf"
teeth = "{WORDS["appliance"]}"
placement = "same electrodes"
"""
        + "".join(
            f"""
[[night]]
id = "n-{k}"
recording = "{name} {k}.edf"
condition = "{"splint" if k in (3, 4) else "none"}"
reference = "{reference}{" 2" if k == 4 else ""}"
date = {START}
{f'stages = "{stages.name}"' if k == 1 else ""}
{f"appliance_in = 22:30:00{chr(10)}appliance_out = 23:30:00" if k in (3, 4) else ""}
{free}"""
            for k in range(1, nights + 1)
        ),
        encoding="utf-8",
    )
    return path
