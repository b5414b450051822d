"""How `stiffen search` searches one panel, or several, and where it writes what it finds."""
