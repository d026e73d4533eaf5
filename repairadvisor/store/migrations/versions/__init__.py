"""One file a step, numbered; a step that has been released is never edited."""
