// What is known of each mordant (calibration/mordants.json, embedded in the program).
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "units/problem.h"

namespace rebite::plan {

// How fast a bath works at a temperature, from a published table; any unit.
struct RateAt {
  double celsius = 20;
  double rate = 1;
};

// Least squares of ln rate on 1/T. R = 8.314462618 J/(mol K) (CODATA 2018).
struct ArrheniusFit {
  double energy_kj_mol = 0;
  double energy_sd = 0;  // standard error; 0 where two points leave nothing over
  double ln_a = 0;
  std::vector<double> fitted;  // rates on the line
  double worst = 0;            // largest |ln(rate / fitted)|
  bool poor = false;           // worst above 5 %: one energy does not hold over the range
};
inline constexpr double gas_constant = 8.314462618;
// At least two points at different temperatures, rates > 0 (asserted).
ArrheniusFit fit_arrhenius(const std::vector<RateAt>& rates);

struct ActivationEnergy {
  double best_kj_mol = 28;
  double sd_kj_mol = 10;
  double low_kj_mol = 15, high_kj_mol = 50;  // range met with
  bool poor_fit = false;                     // the published rates do not lie on one line
  std::string source = {};
};

struct Window {
  double low_c = 0, high_c = 0;
  std::string source;
};

struct Mordant {
  std::string name;
  std::vector<std::string> aliases;  // lower case
  ActivationEnergy energy;
  std::optional<Window> window;
  std::optional<double> copper_warn_g_l;  // where the bath is known to slow down
  std::vector<std::string> never_metals;  // lower case
  std::string never_metals_text;
  std::vector<std::string> cautions, notes;
};

struct WorkCautions {
  std::string rosin, spray, scraping, solvent, eyes, hot, deference;
};

struct MordantTable {
  std::vector<Mordant> known;
  Mordant unknown;  // for a name that is not in the table
  WorkCautions work;
};

// The embedded table. Throws only if the embedded file itself is broken (a test reads it).
const MordantTable& mordant_table();
// Of a file of that format. Refuses (data) what is not.
Result<MordantTable> mordants_from_json(std::string_view text);

// The mordant that a free text names ("Ferric chloride, 42 Be" -> ferric chloride): the longest
// alias found in it. Null when none is.
const Mordant* find_mordant(std::string_view text);

}  // namespace rebite::plan
