"""``python -m tests.docs``: write the pages that are made from the code, and the table of rooms."""

from tests.docs.pages import FOLDER, PAGES, with_rooms

for name, make in PAGES.items():
    (FOLDER / name).write_text(make(), encoding="utf-8")
    print(f"sleepbrux/docs/{name}")
path = FOLDER.parents[1] / "DEVELOPERS.md"
path.write_text(with_rooms(path.read_text("utf-8")), encoding="utf-8")
print(path.name)
