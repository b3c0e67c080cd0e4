"""Pages as HTML, by templates; whatever a page holds is escaped."""
