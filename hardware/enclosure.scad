// A splash-protected enclosure for each board, to print or to cut from sheet. Millimetres. Nobody has built it; it is not rated and
// not tested: no protection class is claimed. It hangs upright, the glands' wall at the bottom, above and away from the water.
//
//   openscad -D 'board="outputs"' -D 'part="base"' -o base.stl enclosure.scad      part: "base" or "lid"
//
// The tests hold the boards' sizes, holes and glands to circuits.txt and to the printed boards.

board = "outputs"; // "outputs", "sensors", "modulated", "first"
part = "base";     // "base", "lid"

// board, its width and height, how many glands for M12
boards = [
  ["outputs", 220, 100, 9],
  ["sensors", 160, 100, 6],
  ["modulated", 160, 100, 5],
  ["first", 100, 60, 5],
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
hood = 15;       // how far the lid's upper edge stands out beyond that, against what runs down the wall
gap = 0.6;       // between lid and walls
drain = 5;       // hole in the lowest wall

chosen = [for (b = boards) if (b[0] == board) b][0];
assert(chosen != undef, str("no board ", board, ": use outputs, sensors, modulated or first"));
assert(part == "base" || part == "lid", str("no part ", part, ": use base or lid"));
wide = chosen[1];
high = chosen[2];
count = chosen[3];

inner = [wide + 2 * side, leads + high + side, pillar + thick + tall];
outer = [inner[0] + 2 * wall, inner[1] + 2 * wall, inner[2] + wall]; // open to the front, where the lid is
corner = [wall + side, wall + leads];                                // the board's lower left corner
pillars = [for (x = [hole_in, wide - hole_in], y = [hole_in, high - hole_in]) corner + [x, y]];
posts = [for (x = [wall, outer[0] - wall - post], y = [wall, outer[1] - wall - post]) [x, y]];
free = inner[0] - 2 * post - gland_apart; // glands' middles keep clear of the posts
glands = [for (i = [0:count - 1]) wall + post + gland_apart / 2 + free * i / (count - 1)];
assert(free / (count - 1) >= gland_apart && gland_apart >= nut, "the glands are too close to each other");

brim = outer[2] - skirt;      // as far down as the closed lid reaches
gland_up = (wall + brim) / 2; // glands' middles, from the back
drain_at = [(glands[0] + glands[1]) / 2, wall + drain / 2 + 0.5];
assert(gland_up + nut / 2 <= brim, "the lid's skirt covers the glands' nuts");
assert(gland_up - nut / 2 >= wall, "the glands' nuts meet the back");
assert(norm(drain_at - [glands[0], gland_up]) >= (nut + drain) / 2, "a gland's nut covers the drain");

echo(inner = inner);
echo(outer = outer);
echo(corner = corner);
echo(pillars = pillars);
echo(posts = posts);
echo(glands = glands);
echo(gland_up = gland_up);
echo(drain_at = drain_at);

module tube(length, outside, inside, bottom) {
  difference() {
    cylinder(h = length, d = outside, $fn = 24);
    translate([0, 0, bottom]) cylinder(h = length, d = inside, $fn = 16);
  }
}

module base() {
  difference() {
    cube(outer);
    translate([wall, wall, wall]) cube([inner[0], inner[1], inner[2] + 1]);
    for (x = glands) translate([x, -1, gland_up]) rotate([-90, 0, 0]) cylinder(h = wall + 2, d = gland, $fn = 32);
    translate([drain_at[0], -1, drain_at[1]]) rotate([-90, 0, 0]) cylinder(h = wall + 2, d = drain, $fn = 16);
  }
  for (p = pillars) translate([p[0], p[1], wall - 0.01]) tube(pillar + 0.01, 7, 2.5, 1);
  for (p = posts) translate([p[0], p[1], wall - 0.01]) difference() {
    cube([post, post, inner[2] + 0.01]);
    translate([post / 2, post / 2, inner[2] - 15]) cylinder(h = 16, d = 2.5, $fn = 16);
  }
}

// The lid lies on its face; its upper edge, with the hood, is at the larger y.
module lid() {
  over = wall + gap;
  size = [outer[0] + 2 * over, outer[1] + 2 * over];
  difference() {
    union() {
      difference() {
        cube([size[0], size[1], wall + skirt]);
        translate([wall, wall, wall]) cube([size[0] - 2 * wall, size[1] - 2 * wall, skirt + 1]);
      }
      translate([0, size[1] - 0.01, 0]) cube([size[0], hood + 0.01, wall]);
    }
    for (p = posts) translate([over + p[0] + post / 2, over + p[1] + post / 2, -1]) cylinder(h = wall + 2, d = 3.4, $fn = 16);
  }
}

if (part == "base") base();
else lid();
