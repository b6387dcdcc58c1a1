"""Background work: assembles what a verification needs, runs it, keeps it. Knows no routes and no pages."""
