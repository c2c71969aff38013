"""What `sightledger` does, one module per noun; service/__main__.py puts them together.

Whoever runs a command has the server's settings and so the database. What no person has to answer for is
done as the operator (`OPERATOR`, no account); what the record must name a person for asks for that
person's password (passwords.py).

Heavy imports stand inside the functions: a command loads what it needs, and a workstation's installation,
which lacks the service's packages, can still say what to install.
"""
