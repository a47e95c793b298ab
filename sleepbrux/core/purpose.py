"""The one sentence that says what this program is for; every output carries it word for word."""

PURPOSE = (
    "sleepbrux describes jaw-muscle EMG recordings so that a licensed clinician or a researcher can "
    "read, check and discuss them; it is not a medical device, does not diagnose, grade or screen, "
    "and no treatment should be started, changed or stopped on its output alone."
)
