"""The sheets of the Excel workbook, by topic; ``tractduct.writers.workbook`` puts them together."""
