"""Background work: verifies sites when data has come. Truth stays in the domain tables, never in the queue."""
