// The wedge room's figures, as markdown tables. Run by hand:
//   measure_wedge bands [seeds]            steps drawn straight from a known curve
//   measure_wedge wiped [seeds [first]]    the same, from the bath to the fitted curve, wiped smoothly
//   measure_wedge printed [seeds [first]]  the same on wedges printed by the plate maker
//   measure_wedge found [seeds [first [rows]]]  how many wedges of every kind are read, or of those
//                                               in so many rows
//   measure_wedge steps [seeds [first]]    densities of found steps, by scanner and resolution
//   measure_wedge light [seeds [first]]    uneven light
//   measure_wedge overlap [seeds [first]]  the overlap rule from a crossed wedge, without pictures
//   measure_wedge crossed [seeds [impressions [first]]]  the overlap rule from a crossed wedge
#include "tests/measure/wedge.h"

#include <algorithm>
#include <cstdlib>
#include <string_view>

int main(int argc, char** argv) {
  using namespace rebite::wedge::measure_parts;
  const std::string_view part = argc > 1 ? argv[1] : "bands";
  const auto number = [&](int at, int otherwise) {
    return argc > at ? std::atoi(argv[at]) : otherwise;
  };
  const int seeds = std::max(1, number(2, 200));
  const int first = number(3, 1);
  if (part == "bands") bands(seeds);
  if (part == "wiped") wiped(seeds, first);
  if (part == "printed") printed(seeds, first);
  if (part == "steps") steps(seeds, first);
  if (part == "overlap") overlap(seeds, first);
  if (part == "found") found(seeds, first, number(4, 0));
  if (part == "light") light(seeds, first);
  if (part == "crossed") crossed(seeds, number(3, 0), number(4, 1));
  return 0;
}
