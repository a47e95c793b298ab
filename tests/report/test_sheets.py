"""The sheets for chair and patient, read back as text by another library."""

import contextlib
import io
import re
from datetime import date

import pypdf
import pytest
from msgspec.structs import replace

from sleepbrux.core.errors import UsageError
from sleepbrux.report.sheets import chair_sheet, patient_sheet, person_number
from sleepbrux.study.file import Study, StudyNight
from tests.words import plain, refused


def study(conditions=("none", "splint", "front stop"), nights=6, **fields):
    return Study(
        pseudonym="Ampelia-17",
        night=tuple(
            StudyNight(
                id=f"night-{k:02d}",
                recording=f"{k}.edf",
                date=date(2026, 3, 1 + k % 28),
                condition=conditions[k % len(conditions)],
            )
            for k in range(nights)
        ),
        **fields,
    )


def text(pdf):
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)


@pytest.mark.parametrize("make", [chair_sheet, patient_sheet])
def test_a_sheet_has_the_same_bytes_each_time_and_is_tagged_with_bundled_fonts(make):
    pdf = make(study())
    assert pdf == make(study())
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in reader.trailer["/Root"]
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert "/CreationDate" not in (reader.metadata or {})
    fonts = {
        str(font.get_object()["/BaseFont"]).split("+")[-1]
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert all(f.startswith(("Libertinus", "DejaVuSansMono", "NewCM")) for f in fonts)


def test_the_chair_sheet_says_electrodes_script_order_and_rest():
    words = text(chair_sheet(study(), person=1))
    for said in (
        "runs on its battery",
        "20 mm apart",
        "consent",
        "bed partner",
        "At least 60 s of rest",
        "bite as hard as you can",
        "Clench natural teeth",
        "Clench with front stop",
        "Order: natural teeth, front stop, splint, natural teeth",
        "A chairside level is not a night-time effect",
        "not a medical device",
    ):
        assert said in words
    assert "Order: natural teeth, splint, front stop, natural teeth" in text(chair_sheet(study(), person=0))


def test_channels_of_the_study_are_the_sites():
    words = text(chair_sheet(study(channels=("EMG Temporalis L", "EMG Mass R"))))
    assert "EMG Temporalis L temporalis left" in words
    assert "EMG Mass R masseter right" in words


def test_the_patient_bites_before_the_appliance_goes_in():
    words = text(patient_sheet(study()))
    order = [
        words.index(said)
        for said in (
            "no appliance",
            "for 20 seconds",
            "for 3 seconds",
            "Do this three times",
            "Only now put the appliance in",
            "Lights off",
            "On waking",
            "Take the appliance out",
            "three hard bites",
        )
    ]
    assert order == sorted(order)
    for said in (
        "battery only",
        "electrode comes off",
        "swallowed or inhaled",
        "have agreed",
        "not a medical device",
    ):
        assert said in words


def test_every_night_has_its_line_with_what_to_wear():
    words = text(patient_sheet(study(nights=40)))
    assert all(f"night-{k:02d}" in words for k in range(40))
    assert "night-01 2026-03-02 splint" in words
    assert "night-00 2026-03-01 nothing" in words


def test_without_an_appliance_no_sheet_speaks_of_putting_one_in():
    words = text(patient_sheet(study(conditions=("none",))))
    assert "No appliance is worn in these nights" in words
    assert "Take the appliance out" not in words
    assert "Order: natural teeth." in text(chair_sheet(study(conditions=("none",))))


def test_what_is_still_to_be_filled_in_is_a_blank_and_never_called_no_appliance():
    words = text(patient_sheet(study(conditions=("FILL IN",))))
    assert "FILL IN" not in words
    assert "No appliance is worn" not in words
    assert "Only now put the appliance in, if the table says so" in words
    assert "FILL IN" not in text(chair_sheet(study(conditions=("FILL IN",))))


def test_a_study_without_nights_prints_its_conditions_and_empty_lines():
    planned = Study(pseudonym="P", conditions=("none", "front stop"))
    assert "Clench with front stop" in text(chair_sheet(planned))
    words = text(patient_sheet(planned))
    assert "put the appliance in" in words
    assert "Your nights" in words


def test_words_of_a_study_are_never_read_as_markup():
    name = '#panic("x") *bold* $x$ \\ [#emph'
    words = text(patient_sheet(study(conditions=("none", name))))
    assert "#panic" in words
    assert "*bold*" in words


def test_a_number_for_the_person_follows_from_the_pseudonym():
    assert person_number(study()) == person_number(study(nights=2))


@pytest.mark.parametrize("make", [chair_sheet, patient_sheet])
@pytest.mark.shows("hostile-file")
def test_a_sign_that_no_font_has_is_named_in_one_sentence(make):
    odd = replace(study(conditions=("none", "splint \U00012345")), pseudonym="P-\U00012345")
    with pytest.raises(UsageError, match=r"no font on this machine has the sign .* in the sheet"):
        make(odd)


@pytest.mark.parametrize("name", ["夜", "שלום", "A\u202eB", "a\u200db", "🦷", "µ–ß", "\u0301", "\ufffe"])
def test_any_script_ends_in_a_sheet_or_one_sentence(name):
    for make in (chair_sheet, patient_sheet):
        with contextlib.suppress(UsageError):
            assert make(replace(study(conditions=("none", name)), pseudonym=name)).startswith(b"%PDF")


def alternative_texts(pdf):
    found, due = [], [pypdf.PdfReader(io.BytesIO(pdf)).trailer["/Root"]["/StructTreeRoot"]]
    while due:
        node = due.pop().get_object()
        if isinstance(node, list):
            due += node
        elif hasattr(node, "get"):
            found += [node["/Alt"]] if node.get("/S") == "/Figure" else []
            due += [node["/K"]] if "/K" in node else []
    return found


@pytest.mark.parametrize("make", [chair_sheet, patient_sheet])
def test_the_drawing_says_in_words_where_each_channel_goes(make):
    (said,) = alternative_texts(make(study(channels=("EMG Temporalis L", "EMG Mass R"))))
    assert "Masseter (EMG Mass R): on the belly of the muscle" in said
    assert "Temporalis (EMG Temporalis L): in front of the hairline" in said
    (said,) = alternative_texts(make(study(channels=("EMG Mass R",))))
    assert "Temporalis" not in said


def test_names_of_channels_come_from_the_study_file_then_from_the_recording_then_from_the_plan():
    def shown(**fields):
        recorded = fields.pop("recorded", ())
        return text(chair_sheet(study(**fields), recorded=recorded))

    recorded = ("EMG Mass L", "EMG Mass R")
    assert "EMG Mass L masseter left" in shown(recorded=recorded)
    assert "EMG Mass L" not in shown(recorded=recorded, channels=("Temp L",))
    assert "ch7 temporalis right" in shown(recorded=recorded, roles={"ch7": "temporalis right", "ch8": "ecg"})
    assert "ch8" not in shown(roles={"ch7": "temporalis right", "ch8": "ecg"})
    assert "Masseter L masseter left" in shown(nights=0)


def test_no_command_is_on_a_chairside_sheet():
    words = text(chair_sheet(study()))
    assert not re.search(r"sleepbrux [a-z]+ [A-Z]|--\w|STUDY|RECORDING", words)


def test_the_patient_reads_type_of_twelve_points():
    sizes = {}

    def visit(words, _matrix, text_matrix, _font, size):
        if words.strip():
            sizes[round(size * abs(text_matrix[0] or 1), 1)] = words

    for page in pypdf.PdfReader(io.BytesIO(patient_sheet(study()))).pages:
        page.extract_text(visitor_text=visit)
    small = {size for size in sizes if size < 12}
    assert small <= {7.0, 10.0, 10.6}, sizes  # footer, heads of the table, the line below the table's head
    assert 12.0 in sizes


@pytest.mark.parametrize("make", [chair_sheet, patient_sheet])
def test_a_sheet_reads_well(make):
    words = plain(text(make(study())))
    assert refused(re.sub(r"night-\d\d|Ampelia-17", "", words)) == []
