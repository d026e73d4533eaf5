"""Context and policy in, advice out: two pure functions, :func:`rules.prepare` and :func:`method.advise`."""
