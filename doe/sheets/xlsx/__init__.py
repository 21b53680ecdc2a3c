"""Workbooks read within limits: the archive, the cells of its worksheets, their number formats."""
