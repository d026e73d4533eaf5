"""Tests of the physics: published figures by id, exact integrals that share no code, and properties."""
