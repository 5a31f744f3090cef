"""How well causes are found: ledgers of invented houses held against what is true of them."""
