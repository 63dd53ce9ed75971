"""What changed between two surveys, and why.

``differences`` compares two sets of tables site by site, ``causes`` says why, ``tags`` lists what to add and remove
in the records, ``base`` puts the network as it is beside the sites of a what-if, ``comparison`` and
``comparison_files`` do it for two output folders.
"""
