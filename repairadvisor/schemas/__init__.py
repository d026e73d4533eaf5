"""The published shape of what crosses the wire, in and out.

A request in flight is read by :mod:`repairadvisor.facts.parse` and an answer is written straight from the
advice; the marshmallow classes here say the same for whoever must know it beforehand (the OpenAPI file, a
client's author), and tests hold the two together.
"""
