"""One advice document, many shapes. Every module is ``render(advice) -> str`` and decides nothing."""
