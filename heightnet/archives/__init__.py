"""Every job of an archive, checked one by one with the code of ``check`` and told together.

Importing this room loads no numerics: the process that hands out the jobs needs none.
"""
