"""Identification: convex start, exact finish, honest account of what the data carry."""
