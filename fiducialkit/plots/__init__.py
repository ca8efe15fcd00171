"""Drawings: functions that take tables or scene objects and an `ax`, draw on it and give it back. No windows."""
