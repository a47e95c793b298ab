"""``sleepbrux protocol`` as a user runs it."""

from sleepbrux.core.files import own_stem
from tests.nights import LABELS


def test_the_verb_writes_both_sheets(run, tmp_path):
    file = tmp_path / "study.toml"
    file.write_text('pseudonym = "P/1"\n[[night]]\nid = "n"\nrecording = "n.edf"\ncondition = "splint"\n')
    done = run("protocol", file, "--out", tmp_path / "out")
    assert done.code == 0
    names = sorted(p.name for p in (tmp_path / "out").iterdir())
    stem = own_stem("P/1")  # not that of P:1
    assert names == [f"{stem}.chair-sheet.pdf", f"{stem}.patient-sheet.pdf"]
    assert run("protocol", tmp_path / "none.toml").code == 2


def test_channels_are_those_of_the_recording_once_there_is_one(run, edf):
    import pypdf

    file = edf.parent / "study.toml"
    file.write_text(
        f'pseudonym = "P1"\n[[night]]\nid = "n"\nrecording = "{edf.name}"\ncondition = "splint"\n'
    )
    assert run("protocol", file).code == 0
    sheet = pypdf.PdfReader(next(edf.parent.glob("*.chair-sheet.pdf")))
    assert LABELS[0] in " ".join(" ".join(page.extract_text().split()) for page in sheet.pages)
