"""What an engineer watches a table by: its log, its health, its figures, its sign of life.

Knows messages, facts and files, no session: what is to be known of one is handed in.
"""
