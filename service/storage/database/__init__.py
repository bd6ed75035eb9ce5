"""Access to PostgreSQL: engine, transactions, tables, migrations, partitions.

Doors: :mod:`.session`, :mod:`.tables`, :mod:`.schema`.
"""
