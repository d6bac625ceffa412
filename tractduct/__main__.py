"""python -m tractduct"""

from tractduct.cli import run

run()
