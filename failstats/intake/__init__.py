"""Records come in: found, read line by line, mapped, made private, checked and stored.

``load.load`` is the way in; ``remove`` takes records out again; ``requeue`` lets corrected rows
out of quarantine; ``draft`` writes starting files.
"""
