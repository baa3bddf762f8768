// A splash-protected enclosure for each board, to print or to cut from sheet. Millimetres. Nobody has built it; it is not rated and
// not tested: no protection class is claimed. It hangs upright, the glands' wall at the bottom, above and away from the water.
//
//   openscad -D 'board="outputs"' -D 'part="base"' -o base.stl enclosure.scad      part: "base" or "lid"; to look at: "closed"
//
// The tests hold the boards' sizes, holes, lamps and glands to circuits.txt and to the printed boards.

board = "outputs"; // "outputs", "sensors", "modulated", "first"
part = "base";     // "base", "lid"; "closed": the two as they go together; "clash": what of both is in one place, which must be nothing

// Board, its width and height, how many glands for M12, windows over its lamps: left, lower, right, upper edge from the board's lower
// left corner. Behind each window, in the lid, a pane of clear sheet is glued, 6 mm larger all round.
boards = [
  ["outputs", 220, 100, 10, [[108, 48, 130, 92], [11, 43, 34, 62], [52, 73, 64, 85]]],
  ["sensors", 160, 100, 6, []],
  ["modulated", 160, 100, 5, [[51, 57, 66, 89]]],
  ["first", 100, 60, 5, []],
];

wall = 3;
side = 10;       // board to wall, left, right and above: room for the lid's posts
leads = 45;      // below the board: leads turn there, on their way to the glands
pillar = 10;     // under the board
thick = 1.6;     // the board
tall = 30;       // room for parts and plugs above it
hole_in = 5;     // pillars' holes from the board's edges
gland = 12.4;    // hole for M12
nut = 19;        // a gland's nut and flange, across their corners, at most (from memory)
gland_apart = 20; // at least, middle to middle
post = 8;        // the lid's posts, square
skirt = 12;      // how far the lid reaches over the walls, all round
rib = 3;         // stands on the upper wall behind the skirt: what runs forward on the wall does not get under it
roof = 15;       // how far the lid reaches further back above, over the rib
gap = 0.6;       // between lid and walls
drain = 5;       // hole in the lowest wall
ear = 16;        // square, at the back, above and below the corners: to hang it by
ear_hole = 5;
screw = 2.5;     // an M3 screw cuts into it
screw_free = 3.4; // and goes through this

chosen = [for (b = boards) if (b[0] == board) b][0];
assert(chosen != undef, str("no board ", board, ": use outputs, sensors, modulated or first"));
assert(len([for (p = ["base", "lid", "closed", "clash"]) if (p == part) p]) == 1, str("no part ", part, ": use base or lid"));
wide = chosen[1];
high = chosen[2];
count = chosen[3];
windows = chosen[4];

inner = [wide + 2 * side, leads + high + side, pillar + thick + tall];
outer = [inner[0] + 2 * wall, inner[1] + 2 * wall, inner[2] + wall]; // open to the front, where the lid is
corner = [wall + side, wall + leads];                                // the board's lower left corner
pillars = [for (x = [hole_in, wide - hole_in], y = [hole_in, high - hole_in]) corner + [x, y]];
posts = [for (x = [wall, outer[0] - wall - post], y = [wall, outer[1] - wall - post]) [x, y]];
ears = [for (x = [0, outer[0] - ear], y = [-ear, outer[1]]) [x, y]];
free = inner[0] - 2 * post - gland_apart; // glands' middles keep clear of the posts
glands = [for (i = [0:count - 1]) wall + post + gland_apart / 2 + free * i / (count - 1)];
assert(free / (count - 1) >= gland_apart && gland_apart >= nut, "the glands are too close to each other");

brim = outer[2] - skirt;      // as far down as the closed lid reaches
gland_up = (wall + brim) / 2; // glands' middles, from the back
drain_at = [(glands[0] + glands[1]) / 2, wall + drain / 2 + 0.5];
assert(gland_up + nut / 2 <= brim, "the lid's skirt covers the glands' nuts");
assert(gland_up - nut / 2 >= wall, "the glands' nuts meet the back");
assert(norm(drain_at - [glands[0], gland_up]) >= (nut + drain) / 2, "a gland's nut covers the drain");
assert(drain_at[0] - drain / 2 > ear, "the drain runs onto an ear");
assert(rib + gap <= gap + wall, "the rib meets the roof");

over = wall + gap; // the lid beyond the walls
lid_size = [outer[0] + 2 * over, outer[1] + 2 * over];

echo(inner = inner);
echo(outer = outer);
echo(lid_size = [lid_size[0], lid_size[1] + wall, wall + skirt + roof]);
echo(corner = corner);
echo(pillars = pillars);
echo(posts = posts);
echo(glands = glands);
echo(gland_up = gland_up);
echo(drain_at = drain_at);
echo(windows = windows);
echo(bores = [gland, drain, ear_hole, screw, screw_free]);

module tube(length, outside, inside, bottom) {
  difference() {
    cylinder(h = length, d = outside, $fn = 24);
    translate([0, 0, bottom]) cylinder(h = length, d = inside, $fn = 16);
  }
}

module base() {
  difference() {
    union() {
      cube(outer);
      for (e = ears) translate([e[0], e[1], 0]) cube([ear, ear, wall]);
      // The rib's lower side rises by 45 degrees, so that it prints without support.
      translate([0, outer[1], brim - gap]) rotate([90, 0, 90])
        linear_extrude(outer[0]) polygon([[-0.01, 0], [rib, 0], [rib, -1], [-0.01, -1 - rib]]);
    }
    translate([wall, wall, wall]) cube([inner[0], inner[1], inner[2] + 1]);
    for (x = glands) translate([x, -1, gland_up]) rotate([-90, 0, 0]) cylinder(h = wall + 2, d = gland, $fn = 32);
    translate([drain_at[0], -1, drain_at[1]]) rotate([-90, 0, 0]) cylinder(h = wall + 2, d = drain, $fn = 16);
    for (e = ears) translate([e[0] + ear / 2, e[1] + ear / 2, -1]) cylinder(h = wall + 2, d = ear_hole, $fn = 24);
  }
  for (p = pillars) translate([p[0], p[1], wall - 0.01]) tube(pillar + 0.01, 7, screw, 1);
  for (p = posts) translate([p[0], p[1], wall - 0.01]) difference() {
    cube([post, post, inner[2] + 0.01]);
    translate([post / 2, post / 2, inner[2] - 15]) cylinder(h = 16, d = screw, $fn = 16);
  }
}

// The lid lies on its face; its upper edge, with the roof, is at the larger y, and what is left in use is at the right.
module lid() {
  difference() {
    union() {
      difference() {
        cube([lid_size[0], lid_size[1], wall + skirt]);
        translate([wall, wall, wall]) cube([lid_size[0] - 2 * wall, lid_size[1] - 2 * wall, skirt + 1]);
      }
      translate([0, lid_size[1] - 0.01, 0]) cube([lid_size[0], wall + 0.01, wall + skirt + roof]);
    }
    for (p = posts) translate([over + p[0] + post / 2, over + p[1] + post / 2, -1]) cylinder(h = wall + 2, d = screw_free, $fn = 16);
    for (w = windows) translate([lid_size[0] - over - corner[0] - w[2], over + corner[1] + w[1], -1])
      cube([w[2] - w[0], w[3] - w[1], wall + 2]);
  }
}

// The lid turned over and put on the base.
module on_base() {
  translate([outer[0] + over, -over, outer[2] + wall]) rotate([0, 180, 0]) lid();
}

if (part == "base") base();
else if (part == "lid") lid();
else if (part == "clash") intersection() { base(); on_base(); }
else { base(); color("steelblue", 0.5) on_base(); }
