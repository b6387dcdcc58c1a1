"""Charts and tables of results, drawn from verify's result types. No SQL here."""
