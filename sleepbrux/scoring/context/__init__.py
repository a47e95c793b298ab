"""What surrounds an episode: heart, movement, wake, other activity, sound, position, breathing.

`model` says what is kept, `gather` reads it from a recording, `marks` from its marks, `movement` and
`label` say it of each episode, `counts` makes measures of it. Every label carries its evidence and none
is a verdict; whether an event is dropped for one is a setting of the rules.
"""
