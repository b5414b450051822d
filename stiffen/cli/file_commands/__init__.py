"""Commands that make or edit files without computing a verdict: a new panel file, a mirrored one, the page."""
