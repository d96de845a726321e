"""The mechanics of a fit: how hard printed parts press on each other, and how sure that is.

Walls bend (``walls``), tubes and holes are rings (``rings``), faces flatten (``contact``), lips and edges
ride
up (``snaps``). They stand as springs behind the contact lines of a joint (``springs``), and between them the
part floats (``floating``). What printing and time make of it is in ``printed``; a force leaves as a band
(``bands``).

With walls in proportion and the printer's error as it is, a force grows as the scale, and the weight as its
square or cube; with walls of the same few lines it falls as the square of the scale; a clearance in the file,
which grows with the scale, uses up the error and ends the grip where they meet.
"""
