"""The commands of `sightledger`, one module per noun; service/__main__.py puts them together.

Whoever runs a command has the server's settings and so the database. Work that no person answers for is done
as the operator (`OPERATOR`, no account); work for which the record must name a person asks for that
person's password (passwords.py).

Heavy imports stand inside the functions: a command loads what it needs, and a workstation's installation,
which lacks the service's packages, can still say what to install.
"""
