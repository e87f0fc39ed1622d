"""What is to be measured in a night, in which order, and what became of it?

`clips`, `grouping`, `schedule` and `page` compute on values only; `finding`, `processes` and
`book` are the edge to files and worker processes.
"""
