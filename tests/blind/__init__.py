"""Faults of home recordings, drawn without sight of the detectors that they try.

Whoever wrote this folder knew the public documentation and what outsiders had measured before, and had not read
`sleepbrux/signal`, `sleepbrux/scoring`, `sleepbrux/synth` or the tests of these. Keep it so: a fault that is found
here is mended elsewhere, and the next faults are drawn by someone else.
"""
