"""What the watch knows now: kept while it runs, shown as text, as JSON and as a page for a phone."""
