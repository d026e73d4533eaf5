"""Context and policy in, advice out: two pure functions, :func:`prepare.prepare` and :func:`method.advise`."""
