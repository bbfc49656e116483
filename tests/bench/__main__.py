"""``make bench``: run every benchmark and print its ratios."""

import os

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")

from tests.bench import bringing, holding, planning, queue, term

for benchmark in (planning.run, holding.run, bringing.run, term.run, queue.run):
    benchmark()
