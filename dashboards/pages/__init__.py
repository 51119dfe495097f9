"""One module a page: its view and nothing that computes."""
