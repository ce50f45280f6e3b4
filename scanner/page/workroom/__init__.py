"""What needs the rules: bars judged again, charts and examples, computed in a process that lives while it is used.

The page itself holds plain values, so that an open page takes little memory.
"""
