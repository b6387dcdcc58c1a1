"""The JSON API and the pages: parse, call, render. No physics here."""
