"""Faults, one file a kind: the statistic, the decision, the sentence.

A fault looks at one hop at a time and answers with a `Finding` while it finds something. It judges
the present only; `Episode` turns findings into events, and `monitor.alarm` remembers.
"""
