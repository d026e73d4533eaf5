"""After the work: what a result says, what to do with it, and what many results say of how joints are made.

Pure: no clock, no disk, no network, no dice. It may look at decision, policy and optics; none of them looks back.
"""
