"""Pages about a scored night: HTML that stands alone, offline, with its data inside."""

from sleepbrux.core.purpose import PURPOSE
from sleepbrux.report.night_page import render_night

__all__ = ["PURPOSE", "render_night"]
