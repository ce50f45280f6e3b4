"""What takes the rules: bars judged again, charts and examples, worked out by a process that lives while it is asked.

The page itself holds plain values, so that an open page takes little memory.
"""
