"""Clinic sessions and who is proposed for which: calendar, costs, optimum, proof, reasons. Pure."""
