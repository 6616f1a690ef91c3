"""Agronomy: pure figures. Areas, stakes, sprays, money, weeds and the calendar.

Nothing here knows of texts, phones or storage, of the clock or the network; a day is always an
argument. Every number a formula takes comes from flows/figures.yaml (`figures.Figures`).
"""
