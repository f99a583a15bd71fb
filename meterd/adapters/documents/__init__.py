"""What is printed: reports, statements, sheets for site work, labels. Built as a `Document`, written as PDF and XLSX.

Nothing here knows the time: the same values give the same bytes.
"""
