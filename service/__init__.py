"""Stillroom: stock, formulas and production runs of a small cosmetics and soap workshop."""
