"""What the report is made of: its template, style and script, and the modules that fill them."""
