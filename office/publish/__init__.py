"""The records in PostgreSQL, for many offices and many readers: published again and again, each record once."""
