"""A board family from open CAD files: netlist, drill, copper and placement files in, joints and chips out."""
