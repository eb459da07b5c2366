"""How far every number is from the truth: rendered runners and measured running of real people."""
