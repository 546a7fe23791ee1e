"""Scans whose truth is known: sources with closed-form fields, rooms, surfaces, noise and recipes.

Shares no code with the fit (``scanproc.waves``, ``scanproc.steps``), so that it can judge it.
"""
