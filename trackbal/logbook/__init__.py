"""The logbook: one file that holds the record of jobs, and nothing in it is ever taken back.

A logbook is an SQLite file. Entries are only added; a correction is one more entry, and of
entries that say the same thing the latest counts. schema.py holds the tables, store.py
writes and reads them, records.py makes arrays of them.
"""
