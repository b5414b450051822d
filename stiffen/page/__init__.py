"""The bench page: a panel tuned by hand in the browser of the same machine, with answers at once.

`server` serves the page's files and one WebSocket, `guard` keeps strangers out, `session` holds the open panel.
`workers` runs processes: `quick_answers` by the surrogate, `shell_jobs` by the shell model, `search_job` the search.
`draft` keeps every released layout on disk.  `static` holds the page itself, plain JavaScript and SVG.  May import
`output` and below; only the command line imports it.
"""
