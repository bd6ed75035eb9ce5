"""Pictures drawn as SVG: axes, plots, a tank in section, the state point diagram. Pure."""
