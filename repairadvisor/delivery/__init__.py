"""Events of ticket systems in, guidance into their tickets: nothing lost, nothing twice, whatever dies."""
