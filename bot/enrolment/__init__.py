"""Enrolment: reading a file of growers, row by row, and writing tables that are safe to open."""
