"""Wording: what a text says in each language, and how much room it takes on a phone.

Pure: no clock, no network, and nothing of ours imported from outside this folder.
"""
