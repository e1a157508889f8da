"""Files in and out: other people's recordings become runs (LIMITS.md), runs become tables.

In: ``limits`` says what columns mean, ``survey`` and ``dialect`` find out how a text file is written,
``roles`` what each column is for, ``stamps`` and ``cells`` read its words; ``textfile`` and ``parquetfile``
read whole files into ``tracks``, ``recording`` writes the run, ``importing`` is the way in. Out: ``grid``
lays readings on a common grid, ``outfile`` writes CSV, Parquet and XLSX, ``export`` is the way out.
"""
