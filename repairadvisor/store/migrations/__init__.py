"""The shape of the database, step by step. ``repairadvisor.store.database`` runs the steps."""
