"""Rules and numbers as data: what an operator owns. The edge reads the files; here they are only texts."""
