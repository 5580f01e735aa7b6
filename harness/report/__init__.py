"""Finished judgements in, HTML, JUnit and JSON out."""
