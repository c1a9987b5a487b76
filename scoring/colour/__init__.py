"""How a scan's numbers become colours: profiles, fits, measured files, the light of the scanner's bed."""
