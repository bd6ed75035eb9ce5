"""The command ``underweir``. Exit status: 0 done, 1 found problems, 2 misused or wrongly configured."""
