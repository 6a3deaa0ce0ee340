"""Looking at sets, holds, records and lines; nothing here changes anything.

| module | what it shows |
| --- | --- |
| preview | the first sets of an export as text |
| samples | the first sets of an export with their cells and records, for the mapping bench |
| holds | what is held, with what is decided on |
| tracing | from a record to its line, and back |
"""
