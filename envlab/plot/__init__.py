"""Pictures: one function a metric, result and axes in, axes out. Nothing here computes physics.

voltages, effects, time_map, pareto, clip_multiples, table, strips draw into axes that the caller made;
sheets, map_sheets and what is called *_sheet lay out whole pictures at report size, overview the one of the
whole job; scenes runs the chosen chain for them; export writes them.
matplotlib loads with these files, not with this package.
"""
