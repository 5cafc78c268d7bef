// Impressions of one wedge -> the batch file's content.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "wedge/read_wedge.h"
#include "wedge/tone_curve.h"
#include "wedge/wiping.h"

namespace rebite::wedge {

// What the printmaker says of the batch; all may be empty.
struct BatchInfo {
  std::string name, mordant, strength, metal, ground;
  std::optional<double> temperature_c;
  std::string bitten_on;  // ISO date
};

// steps_in_time, then fit_curve, then:
//  noise_density: print_spread_of the steps' spread between impressions (wiping.h); a note with one
//    impression, and where several agree more closely than prints do.
//  solid: full ink. The darkest of: the darkest step's darkest spots (grain leaves specks of land
//    that lighten the mean), the fitted end tone, and the darkest step.
//  overlap: the assumed rule until a crossed wedge is given (crossed_wedge.h).
// Refuses what those refuse.
Result<Batch> make_batch(const std::vector<std::vector<FoundStep>>& impressions,
                         const std::vector<BiteTime>& times,
                         const BatchInfo& info);

// Totals in the bath from successive dips of a wedge that was stopped out step by step: the running
// sum. Refuses (usage) an empty list or a dip of no time other than the first.
Result<std::vector<BiteTime>> totals_from_dips(const std::vector<BiteTime>& dips);

}  // namespace rebite::wedge
