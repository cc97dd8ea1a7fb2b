"""Findings compared with indications, and what sectioned parts say about the method."""
