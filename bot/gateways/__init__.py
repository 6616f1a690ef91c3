"""How texts leave and arrive.

`base` is what every gateway promises, `profiles` describes a provider's HTTP in one TOML file,
`http` sends by such a profile, and `loopback` keeps the texts for a terminal, a demo or a test.
"""
