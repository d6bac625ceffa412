"""How much a plan may hold: far beyond any house, and little enough that no file can choke the program.

A file beyond a limit is refused with a message that names the limit, before it is read where that can be known.
"""

from __future__ import annotations

from tractduct.files import MAX_NESTING, MAX_PLAN_FILE_BYTES, MAX_TABLE_BYTES

# A workbook is a zip file. What its directory says of the parts' sizes may be a lie, so each is unpacked once, piece by
# piece, to find out.
MAX_UNPACKED_BYTES = 200_000_000
MAX_PARTS = 2_000
MAX_SHEETS = 500
# Memory goes with the tags of a part, not with its bytes: of a whole part but a sheet's, and of one row of a sheet.
MAX_TAGS = 400_000
MAX_SHEET_TAGS = 4_000_000
MAX_UNPACKED_RATIO = 250  # of parts over RATIO_FROM_BYTES; workbooks of real tables stay under 50
RATIO_FROM_BYTES = 5_000_000
MAX_GRID = 5_000  # lines of a printed table
MAX_ROWS = 50_000  # of a table
MAX_LINES = 200_000  # of a file or sheet, empty ones counted
MAX_COLUMNS = 500
MAX_CELLS = 500_000  # of a table
# Memory of the search goes with the square of sections times sizes: a gigabyte at the most.
MAX_SECTIONS = 500
MAX_SECTION_SIZES = 6_000  # sections times the sizes that each may take
MAX_SECTION_VARIANTS = 60_000  # sections times variants: the workbook lists them all, cell by cell
MAX_COMBINATIONS = 64  # of options: each is a house of its own in every direction, season and flex product
MAX_FLEX = 30  # approved flex products: each is compared with each
MAX_SIZES = 100  # standard sizes; the search takes minutes from a few hundred on
MAX_CANDIDATES = 2_000_000  # sections times variants times sizes: a minute and 1.8 GB with the workbook
MAX_FLOORS = 10
MAX_ROOMS = 1_000  # of the airflow
MAX_SURFACE_KINDS = 200
# Rows of tables of which each is a sheet, a part of a picture, or a step of a calculation.
MAX_ROWS_OF = {
    "sections": MAX_SECTIONS,
    "runs": MAX_SECTIONS,
    "lots": 500,
    "options": 200,
    "rooms": 1_000,
    "routes": 5_000,
    "blower": 1_000,
    "devices": 1_000,
    "surfaces": 10_000,
    "friction_tables": 10_000,
}
MAX_NAME = 120  # characters of a name
MAX_CELL = 2_000  # characters of any other cell
MAX_FAULTS = 1_000  # reading stops there
LEAST_NUMBER = 1e-9  # of any quantity that is not 0; what physics makes of far smaller ones no number can hold

# What the reference page says of them.
IN_WORDS = (
    f"plan.toml: {MAX_PLAN_FILE_BYTES // 1_000_000} MB, keys and lists {MAX_NESTING} deep",
    f"a table's file: {MAX_TABLE_BYTES // 1_000_000} MB; a workbook unpacked: {MAX_UNPACKED_BYTES // 1_000_000} MB, "
    f"{MAX_SHEETS} sheets, none of its large parts more than {MAX_UNPACKED_RATIO} times its packed size",
    f"a table: {MAX_ROWS:,} rows, {MAX_COLUMNS} columns, {MAX_CELLS:,} cells, {MAX_LINES:,} lines with the empty ones",
    f"standard sizes: {MAX_SIZES}; approved flex products: {MAX_FLEX}; combinations of options: {MAX_COMBINATIONS}",
    f"sections times the sizes that each may take: {MAX_SECTION_SIZES:,}",
    f"sections times variants: {MAX_SECTION_VARIANTS:,}, and times sizes: {MAX_CANDIDATES:,}",
    "rows of " + ", ".join(f"{table}: {rows:,}" for table, rows in MAX_ROWS_OF.items()) + f"; floors: {MAX_FLOORS}",
    f"sections times lots times seasons: {MAX_SECTION_VARIANTS:,}",
    f"rooms: {MAX_ROOMS:,}; kinds of surface: {MAX_SURFACE_KINDS:,}",
    f"a name: {MAX_NAME} characters; any other cell: {MAX_CELL:,}",
    f"faults that one run tells: {MAX_FAULTS:,}",
)
