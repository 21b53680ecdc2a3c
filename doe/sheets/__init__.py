"""Run sheets out (CSV, XLSX, printable HTML) and filled ones in again."""

from doe.sheets.importing import Imported, import_sheet
from doe.sheets.layout import sheet_table
from doe.sheets.printable import sheet_html
from doe.sheets.problems import Problem, SheetError
from doe.sheets.read import read_sheet
from doe.sheets.workbook import write_xlsx
from doe.sheets.write import write_csv, write_sheet

__all__ = ["Imported", "Problem", "SheetError", "import_sheet", "read_sheet", "sheet_html",
           "sheet_table", "write_csv", "write_sheet", "write_xlsx"]
