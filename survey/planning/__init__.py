"""From a ranking to decisions: which three-pole installs remove most risk for a budget.

``exposure`` puts what exposes every site into arrays, ``candidates`` lists what could be installed, ``milp`` chooses
exactly, ``residual`` says what any choice leaves, ``planning`` ties them together and proves the promise by surveying
again.
"""
