"""``python -m tests.docs``: write the pages that are made from the code."""

from tests.docs.pages import FOLDER, PAGES

for name, make in PAGES.items():
    (FOLDER / name).write_text(make(), encoding="utf-8")
    print(f"sleepbrux/docs/{name}")
