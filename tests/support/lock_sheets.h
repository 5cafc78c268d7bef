// The sheets of samples/ as they come off one scanner: grey scale, wedge, proof and drawing of the
// lock in snow.
#pragma once

#include <string>
#include <vector>

#include "tests/support/plate_maker.h"

namespace rebite::maker {

// File names, in the order in which a printmaker would scan them. `all`: with the proof of the
// third state, which is not kept in the repository.
std::vector<std::string> sample_names(bool all);
// One of them, truth and all.
MadeScan make_sample(const std::string& name);
// The file: TIFF, deflate (a fifth smaller than LZW here).
std::string sample_bytes(const std::string& name);

// What the grey scale's maker would print on its back (absolute densities).
std::vector<double> sample_grey_densities();
// As the command line takes them: "0.09,0.17,..." and "0,15s,30s,1min,...".
std::string sample_grey_text();
std::string sample_times_text();
// The drawing's plate bitten once more by its true minutes through a fresh ground, its light parts
// burnished: what state III would be if all went well.
Plate lock_state_three();

}  // namespace rebite::maker
