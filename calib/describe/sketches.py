"""Sketches in plain characters, for any terminal and for paper; letters name the lengths and angles asked for."""

from __future__ import annotations

SKETCHES: dict[str, str] = {
    "floor": """
  left          chalk line         right
 [tyre]             |             [tyre]
 [tyre] - - - - - - + - - - - - - [tyre]    cross line, under the axles
 [tyre]<------------b------------>[tyre]
                    |  ^
                    |  a                    c: axle above the floor
                    |  v
                 [tyre]- -
""",
    "place": """
 from above                          from the side

  left   b   chalk line               o  middle of the part
     |<----->|                        ^
 - - - - - - + - - cross line         c
        a ^  |                        v
     o    v  |                    ====+========  floor
""",
    "middle": """
 from above                          from the side

        chalk line                    o  middle of the part
             |                        ^
 - - - - - - + - - cross line         c
        a ^  |                        v
          v  o                    ====+========  floor
""",
    "caster": """
 from the left, front to the left       front      rear
                                             :   /
 d: the kingpin's top leans back             :  /    from the plumb line
    from the plumb line                      : /     to the pin: this much
                                             :/      over that height
                                             /
""",
    "inclination": """
 from the front, left wheel             \\  :       left tyre
                                         \\ :       +----+
 e: the kingpin's top leans in            \\:       |    |
    from the plumb line       middle       :       |    |
    by this much over         of the       :\\      |    |
    that height               vehicle      : \\     +----+
                              <-           plumb
""",
    "stops": """
 from the left, front to the left
                        straight ahead
      pushed              |             pulled
         \\        f       |      g       /
            \\             |          /
               \\          |       /
                    \\     |   /
                          o  hinge
""",
    "lever holes": """
 from the left            o C          h: hinge to the first hole, A
                          |  i         i: from one hole to the next
                          o B
                          |  i         k: the line of the holes leans
                          o A             forward of plumb
                          |  h
                          O  hinge
""",
    "arm holes": """
 from above               straight ahead
                          |
                     k    |            k: from straight ahead to the arm
     C   B   A            |            h: hinge to the first hole, A
     o---o---o------------O hinge      i: from one hole to the next
       i   i       h
""",
    "rod": """
      ball                                   ball
     ( o )====================================( o )
       |<------------------l------------------>|

     m: how much shorter or longer it can be set from here
""",
    "bar": """
 from above               straight ahead
       turned left        |         turned right
              \\     f     |     g     /
                 \\        |        /
                    \\     |     /
                          O  hinge
""",
    "lean": """
 from the left, front to the left
                         n: slope, falling to the front
                        . - - - - - -   hinge line the axle leans about
        . - - - - - - -
        ^
        c
        v
    ====+=============================  floor
   cross line
""",
    "bolt": """
        [=====]  printed tag
        [bolt ]  ^
        [     ]  p: paper to the middle of the ball
        ( o   )  v
        [     ]
""",
    "": "",
}
