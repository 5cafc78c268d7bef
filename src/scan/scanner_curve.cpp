#include "scan/scanner_curve.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <nlohmann/json.hpp>

#include "files/seal.h"
#include "scan/monotone.h"
#include "scan/tone_table.h"

namespace rebite::scan {
namespace {

using Json = nlohmann::ordered_json;

std::unexpected<Problem> not_ours(std::string_view name, const std::string& why) {
  return refuse(
      ProblemKind::data,
      fmt::format("{}: {}", name, why),
      "Make it again with: rebite scanner SCAN --densities D1,D2,... --out NAME.scanner.json");
}

std::vector<double> numbers(const Json& list) {
  std::vector<double> v;
  for (const Json& n : list) v.push_back(n.get<double>());
  return v;
}

bool rises(const std::vector<double>& v) {
  for (std::size_t i = 0; i < v.size(); ++i) {
    if (!std::isfinite(v[i]) || (i > 0 && v[i] <= v[i - 1])) return false;
  }
  return true;
}

std::vector<GreyPatch> patches_from(const Json& list) {
  std::vector<GreyPatch> patches;
  for (const Json& p : list) {
    patches.push_back({Density::of(p.at("density").get<double>()),
                       p.at("code").get<double>(),
                       p.at("residual").get<double>()});
  }
  return patches;
}

void code_curve_from(const Json& curve, CodeCurve& c) {
  c.code = numbers(curve.at("code"));
  c.reflectance = numbers(curve.at("reflectance"));
  c.flare = curve.at("flare").get<double>();
  c.residual_sd = curve.at("residual_sd").get<double>();
}

ScannerCurve from(const Json& j) {
  ScannerCurve c;
  const Json& curve = j.at("curve");
  code_curve_from(curve, c);
  c.patches = patches_from(j.at("patches"));
  c.bits = curve.at("bits").get<int>();
  c.profile = curve.at("profile").get<std::string>();
  if (curve.contains("scan_channels")) c.scan_channels = curve.at("scan_channels").get<int>();
  if (j.contains("channels")) {
    for (const Json& channel : j.at("channels")) {
      code_curve_from(channel, c.channels.emplace_back());
      c.channels.back().patches = patches_from(channel.at("patches"));
    }
  }
  if (j.contains("notes")) c.notes = j.at("notes").get<Notes>();
  return c;
}

// What is wrong with the numbers, or "".
std::string unsound_curve(const CodeCurve& c) {
  if (c.code.size() < 3 || c.code.size() != c.reflectance.size()) {
    return fmt::format(
        "its curve has {} codes and {} reflectances", c.code.size(), c.reflectance.size());
  }
  if (!rises(c.code) || c.code.front() < 0 || c.code.back() > 1) {
    return "the codes of its curve do not rise from 0 to 1";
  }
  if (!rises(c.reflectance) || c.reflectance.front() <= 0 || c.reflectance.back() > 1.5) {
    return "the reflectances of its curve do not rise from 0 to 1";
  }
  if (!std::isfinite(c.flare) || !std::isfinite(c.residual_sd) || c.residual_sd < 0) {
    return "its flare or spread are not usable numbers";
  }
  return "";
}

std::string unsound(const ScannerCurve& c) {
  if (c.bits != 8 && c.bits != 16) return "its bits are not a usable number";
  if (c.scan_channels != 0 && c.scan_channels != 1 && c.scan_channels != 3) {
    return "its scan had neither one channel nor three";
  }
  if (!c.channels.empty() && c.channels.size() != 3) {
    return fmt::format("it has curves of {} channels, where a colour scan has 3",
                       c.channels.size());
  }
  std::string why = unsound_curve(c);
  for (std::size_t k = 0; why.empty() && k < c.channels.size(); ++k) {
    why = unsound_curve(c.channels[k]);
    if (why.empty() && c.channels[k].patches.size() != c.patches.size()) {
      why = "its channels have not the same patches";
    }
    if (!why.empty()) why = fmt::format("{} channel: {}", channel_names[k], why);
  }
  return why;
}

Json patches_json(const std::vector<GreyPatch>& patches) {
  Json list = Json::array();
  for (const GreyPatch& p : patches) {
    list.push_back({{"density", p.density.value()}, {"code", p.code}, {"residual", p.residual}});
  }
  return list;
}

Json channels_json(const std::vector<CodeCurve>& channels) {
  Json list = Json::array();
  for (std::size_t k = 0; k < channels.size(); ++k) {
    const CodeCurve& c = channels[k];
    list.push_back({{"name", channel_names[k]},
                    {"code", c.code},
                    {"reflectance", c.reflectance},
                    {"flare", c.flare},
                    {"residual_sd", c.residual_sd},
                    {"patches", patches_json(c.patches)}});
  }
  return list;
}

// `of` a curve: of the one that such a scan is read with, or of its channels as they are weighed.
template <class Of>
double weighed(const ScannerCurve& curve, int of_scan, Of of) {
  if (!curve.by_channel(of_scan)) return of(curve);
  double sum = 0;
  for (std::size_t k = 0; k < 3; ++k) sum += luminance_weights[k] * of(curve.channels[k]);
  return sum;
}

}  // namespace

double CodeCurve::reflectance_of(double code_0_1) const {
  assert(!code.empty() && code.size() == reflectance.size());
  if (!(code_0_1 > code.front())) return reflectance.front();
  if (code_0_1 >= code.back()) return reflectance.back();
  return std::pow(10.0, Monotone(code, log10_of(reflectance)).at(code_0_1));
}

double CodeCurve::pixel_reflectance_of(double code_0_1) const {
  if (code_0_1 >= code.front() || code.size() < 2) return reflectance_of(code_0_1);
  // The table has 9 places from a patch to the next (grey_fit.h): over one such step the power is
  // told by two patches, not by what smoothing left at the end.
  const std::size_t next = std::min<std::size_t>(9, code.size() - 1);
  const double end = reflectance.front() + flare;
  const double power =
      std::log((reflectance[next] + flare) / end) / std::log(code[next] / std::max(code.front(), 1e-6));
  const double ratio = std::max(code_0_1, 0.0) / std::max(code.front(), 1e-6);
  return std::max(end * std::pow(ratio, power) - flare, reflectance.front() / 4);
}

double ScannerCurve::lightest(int of_scan) const {
  return weighed(*this, of_scan, [](const CodeCurve& c) { return c.reflectance.back(); });
}

double ScannerCurve::darkest(int of_scan) const {
  return weighed(*this, of_scan, [](const CodeCurve& c) { return c.reflectance.front(); });
}

double ScannerCurve::spread(int of_scan) const {
  return weighed(*this, of_scan, [](const CodeCurve& c) { return c.residual_sd; });
}

double ScannerCurve::residual_rms(int of_scan) const {
  double squares = 0, n = 0;
  const auto add = [&](const CodeCurve& c) {
    for (const GreyPatch& p : c.patches) {
      squares += p.residual * p.residual;
      ++n;
    }
  };
  if (by_channel(of_scan)) {
    for (const CodeCurve& c : channels) add(c);
  } else {
    add(*this);
  }
  return n > 0 ? std::sqrt(squares / n) : 0;
}

std::string spread_text(double d) {
  return d < 0.0005 ? "below 0.001 D" : fmt::format("{:.3f} D", d);
}

std::string to_json(const ScannerCurve& curve) {
  Json j;
  j["format"] = "rebite-scanner";
  j["version"] = 1;
  j["patches"] = patches_json(curve.patches);
  j["curve"] = {{"kind", "monotone cubic, code to log10 reflectance"},
                {"code", curve.code},
                {"reflectance", curve.reflectance},
                {"flare", curve.flare},
                {"residual_sd", curve.residual_sd},
                {"bits", curve.bits},
                {"profile", curve.profile}};
  if (curve.scan_channels != 0) j["curve"]["scan_channels"] = curve.scan_channels;
  if (!curve.channels.empty()) j["channels"] = channels_json(curve.channels);
  j["notes"] = curve.notes;
  files::seal(j);
  return j.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

Result<ScannerCurve> scanner_curve_from_json(std::string_view text, std::string_view name) {
  const Json j = Json::parse(text, nullptr, false);
  if (j.is_discarded() || !j.is_object())
    return not_ours(name, "this is no scanner curve (not JSON)");
  if (j.value("format", Json()) != "rebite-scanner") {
    return not_ours(name, "this is no scanner curve (its format is not \"rebite-scanner\")");
  }
  const Json version = j.value("version", Json());
  if (version != 1) {
    return not_ours(name,
                    fmt::format("its version is {} and only 1 is known here", version.dump()));
  }
  if (files::seal_broken(j)) {
    return refuse(
        ProblemKind::data, fmt::format("{}: {}.", name, files::kSealBroken), files::kSealNext);
  }
  try {
    ScannerCurve c = from(j);
    if (const std::string why = unsound(c); !why.empty()) return not_ours(name, why);
    return c;
  } catch (const Json::exception&) {
    return not_ours(name, "parts of the scanner curve are missing or of the wrong kind");
  }
}

}  // namespace rebite::scan
