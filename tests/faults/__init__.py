"""Durable delivery while everything around it breaks: real processes killed, a desk that misbehaves, a database that
crashes."""
