"""Pages to read: one self-contained HTML file with its tables and pictures beside it."""
