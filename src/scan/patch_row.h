// One row of evenly spaced patches in a profile of tones along a line.
#pragma once

#include <optional>
#include <vector>

namespace rebite::scan {

// A row of n patches: patch i lies about start + (i + 0.5) * pitch.
struct PatchRow {
  int n = 0;
  double start = 0, pitch = 0;
  bool reversed = false;     // the list runs from the far end
  double unrest = 0;         // scatter inside patches against the median step between them
  std::vector<double> tone;  // of the patches, along the profile
  double centre(int i) const { return start + (i + 0.5) * pitch; }
};

// `profile` of tones (any monotone measure, larger = lighter; NaN = not on the scan).
// `order`: the listed densities, all different; tones must differ the other way. Nothing when
// no row of just that many patches in that order is there.
// `card`: the tone round the row, NaN if not known; an end patch that cannot be told from it must
// be where its density says.
std::optional<PatchRow> find_row(const std::vector<double>& profile,
                                 const std::vector<double>& order,
                                 double card);

// The tone of the card along the row's two long sides, in the profile's samples; NaN where unknown.
struct CardSides {
  std::vector<double> above, below;
};

struct BeyondRow {
  int patches = 0;
  // One more even part follows that may be a patch or the card: nothing of the card is seen there.
  bool unclear = false;
};

// How many even patches go on beyond the row's ends in the same direction. A patch is told from the
// card by what lies above and below it, so also one that is nearly as light (0.01 in the tone's
// units, or a sixteenth of the usual step); one just like the card is not seen. Where neither side
// is on the scan: by going on in one tone, as only the card does.
BeyondRow patches_beyond(const std::vector<double>& profile, const PatchRow& row, const CardSides& card);

// How many further patches lie between two neighbours of the row (the list names every second or
// third patch of a longer one); 0 for a row whose neighbours touch or have card between them.
int patches_between(const std::vector<double>& profile, const PatchRow& row);

// The list fits as well one place further, where what is just like the card (any tone, where the
// card is not known) counts as a patch: then nobody can tell whether the list is one short.
bool fits_with_card(const std::vector<double>& profile,
                    const PatchRow& row,
                    const std::vector<double>& order,
                    double card);

}  // namespace rebite::scan
