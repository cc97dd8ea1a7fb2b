"""The local page: a small server on this computer, and a page that shows, collects and marks."""
