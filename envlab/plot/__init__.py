"""Pictures: one function a figure, result and axes in, axes out. Nothing here computes physics.

voltages, effects, time_map, table, strips draw into axes that the caller made; sheets lays out whole pictures
at report size, overview the one of the whole job; scenes runs the chosen chain for them; export writes them.
matplotlib loads with these files, not with this package.
"""
