"""The review page: a local server that shows a kit hit by hit, plays it, and writes down what its owner overrules.

``guard`` lets in who may come in, ``desk`` holds the kit and its corrections, ``facts`` and ``sound`` say and play what
is there, ``rebuild`` makes the kit anew, ``server`` puts them behind addresses, ``serve`` runs it. The page itself lies
in ``static``: plain HTML, CSS and modules, nothing to build, nothing asked of a network.
"""
