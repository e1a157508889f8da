"""Files in and out: other people's recordings become runs, runs become tables.

In: ``limits`` says what the columns mean, ``dialect`` finds out how a text file is written, ``stamps`` and
``cells`` read its words, ``tables`` and ``frames`` read whole files into ``tracks``, ``recording`` writes a
run. Out: ``grid`` lays readings on a common grid, ``export`` writes CSV, Parquet and XLSX.
"""
