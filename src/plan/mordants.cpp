#include "plan/mordants.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cctype>
#include <cmath>
#include <cstddef>
#include <nlohmann/json.hpp>
#include <stdexcept>

#include "embedded_calibration.h"

namespace rebite::plan {
namespace {

using nlohmann::json;

std::string lower_case(std::string_view text) {
  std::string s(text);
  std::transform(s.begin(), s.end(), s.begin(), [](unsigned char c) {
    return static_cast<char>(c < 128 ? std::tolower(c) : c);
  });
  return s;
}

std::vector<std::string> texts(const json& of, const char* key) {
  return of.value(key, std::vector<std::string>{});
}

ActivationEnergy energy_from(const json& j) {
  ActivationEnergy e;
  e.source = j.at("source").get<std::string>();
  e.low_kj_mol = j.at("range_kj_mol").at(0).get<double>();
  e.high_kj_mol = j.at("range_kj_mol").at(1).get<double>();
  if (j.contains("rates")) {
    std::vector<RateAt> rates;
    for (const json& r : j.at("rates")) {
      rates.push_back({r.at("celsius").get<double>(), r.at("rate").get<double>()});
    }
    const ArrheniusFit fit = fit_arrhenius(rates);
    e.best_kj_mol = fit.energy_kj_mol;
    // The range as a 90 % band is the least that is admitted, however well three points lie.
    e.sd_kj_mol = std::max(fit.energy_sd, (e.high_kj_mol - e.low_kj_mol) / (2 * 1.645));
    e.poor_fit = fit.poor;
  } else {
    e.best_kj_mol = j.at("best_kj_mol").get<double>();
    e.sd_kj_mol = j.at("sd_kj_mol").get<double>();
  }
  return e;
}

Mordant mordant_from(const json& j) {
  Mordant m;
  m.name = j.value("name", std::string{});
  for (const std::string& a : texts(j, "aliases")) m.aliases.push_back(lower_case(a));
  m.energy = energy_from(j.at("activation_energy"));
  if (j.contains("window_c")) {
    const json& w = j.at("window_c");
    m.window = Window{
        w.at("low").get<double>(), w.at("high").get<double>(), w.at("source").get<std::string>()};
  }
  if (j.contains("copper_limit_g_l")) {
    m.copper_warn_g_l = j.at("copper_limit_g_l").at("low").get<double>();
  }
  for (const std::string& a : texts(j, "never_metals")) m.never_metals.push_back(lower_case(a));
  m.never_metals_text = j.value("never_metals_text", std::string{});
  m.cautions = texts(j, "cautions");
  m.notes = texts(j, "notes");
  return m;
}

}  // namespace

ArrheniusFit fit_arrhenius(const std::vector<RateAt>& rates) {
  assert(rates.size() >= 2);
  const auto n = static_cast<double>(rates.size());
  double mean_x = 0, mean_y = 0;
  for (const RateAt& r : rates) {
    assert(r.rate > 0 && r.celsius > -273.15);
    mean_x += 1 / (r.celsius + 273.15) / n;
    mean_y += std::log(r.rate) / n;
  }
  double sxx = 0, sxy = 0;
  for (const RateAt& r : rates) {
    const double dx = 1 / (r.celsius + 273.15) - mean_x;
    sxx += dx * dx;
    sxy += dx * (std::log(r.rate) - mean_y);
  }
  assert(sxx > 0);
  const double slope = sxy / sxx;
  ArrheniusFit fit;
  fit.energy_kj_mol = -slope * gas_constant / 1000;
  fit.ln_a = mean_y - slope * mean_x;
  double squares = 0;
  for (const RateAt& r : rates) {
    const double on_line = fit.ln_a + slope / (r.celsius + 273.15);
    const double off = std::log(r.rate) - on_line;
    fit.fitted.push_back(std::exp(on_line));
    fit.worst = std::max(fit.worst, std::fabs(off));
    squares += off * off;
  }
  if (rates.size() > 2) {
    fit.energy_sd = std::sqrt(squares / (n - 2) / sxx) * gas_constant / 1000;
  }
  fit.poor = fit.worst > 0.05;
  return fit;
}

Result<MordantTable> mordants_from_json(std::string_view text) {
  try {
    const json j = json::parse(text);
    if (j.at("format") != "rebite-mordants" || j.at("version") != 1) {
      return refuse(ProblemKind::data,
                    "this is not a table of mordants of version 1",
                    "Use the table that comes with Rebite.");
    }
    MordantTable table;
    for (const json& m : j.at("mordants")) table.known.push_back(mordant_from(m));
    table.unknown = mordant_from(j.at("unknown"));
    const json& work = j.at("work_cautions");
    table.work = {work.at("rosin").get<std::string>(),
                  work.at("spray").get<std::string>(),
                  work.at("scraping").get<std::string>(),
                  work.at("solvent").get<std::string>(),
                  work.at("eyes").get<std::string>(),
                  work.at("hot").get<std::string>(),
                  j.at("deference").get<std::string>()};
    return table;
  } catch (const json::exception& e) {
    return refuse(ProblemKind::data,
                  fmt::format("the table of mordants is broken: {}", e.what()),
                  "Use the table that comes with Rebite.");
  }
}

const MordantTable& mordant_table() {
  static const MordantTable table = [] {
    for (const auto& [name, bytes] : calibration_files()) {
      if (name != "mordants.json") continue;
      auto read = mordants_from_json(bytes);
      if (!read) throw std::runtime_error(read.error().what);
      return *std::move(read);
    }
    throw std::runtime_error("mordants.json was not built in");
  }();
  return table;
}

const Mordant* find_mordant(std::string_view text) {
  const std::string wanted = lower_case(text);
  const Mordant* found = nullptr;
  std::size_t longest = 0;
  for (const Mordant& m : mordant_table().known) {
    for (const std::string& alias : m.aliases) {
      if (alias.size() > longest && wanted.find(alias) != std::string::npos) {
        longest = alias.size();
        found = &m;
      }
    }
  }
  return found;
}

}  // namespace rebite::plan
