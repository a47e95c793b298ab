"""A person in front of the page: every click and every typed field is counted."""

import time

from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select


class Hands:
    """Drives a browser and counts."""

    def __init__(self, browser):
        self.browser, self.clicks, self.typed = browser, 0, 0

    def until(self, script, seconds=120.0):
        """Wait until a script is true; its value."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = self.browser.execute_script(f"return {script}")
            if value:
                return value
            time.sleep(0.03)
        text = self.browser.execute_script("return document.body.innerText")
        raise AssertionError(f"never true: {script}\n{text[:3000]}\n{self.browser.get_log('browser')}")

    def come(self, address):
        """Open the page."""
        self.browser.get("about:blank")
        self.browser.get_log("browser")
        self.browser.get_log("performance")
        self.browser.get(address)
        self.until("document.body.dataset.ready === '1'")

    def at(self, screen):
        """Wait until a screen is shown."""
        self.until(f"document.body.dataset.at === {screen!r}")

    def go(self, screen):
        """Show a screen by its address (not counted: a person clicks)."""
        self.browser.execute_script(f"location.hash = {screen!r}")
        self.at(screen)

    def idle(self):
        """Wait until the page and the program do nothing."""
        self.until("!document.body.dataset.busy && !document.body.dataset.job")

    def find(self, css):
        """The one element of the page that fits, waited for."""
        self.until(f"document.querySelector({css!r}) !== null")
        return self.browser.find_element(By.CSS_SELECTOR, css)

    def click(self, css):
        """Click it, once it is there."""
        for attempt in range(5):
            try:
                self.find(css).click()
                break
            except Exception:
                if attempt == 4:
                    raise
                time.sleep(0.2)
        self.clicks += 1

    def type(self, css, text):
        """Type into a field, and leave it."""
        field = self.find(css)
        field.clear()
        field.send_keys(text)
        self.typed += 1

    def choose(self, css, text):
        """Choose from a list: two clicks of a mouse."""
        Select(self.find(css)).select_by_visible_text(text)
        self.clicks += 2

    def text(self, css="#main"):
        """What an element says."""
        return self.find(css).text
