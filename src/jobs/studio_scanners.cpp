// The scanner curves that a studio keeps.
#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "files/put_whole.h"
#include "jobs/calibrate.h"
#include "jobs/from_book.h"
#include "jobs/guard.h"
#include "jobs/studio.h"
#include "sheets/plots.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {
using Json = nlohmann::ordered_json;

constexpr std::string_view ending = ".scanner.json";

// 0: no number.
int number_of(const std::string& folder) {
  int n = 0;
  const char* end = folder.data() + folder.size();
  const auto [at, error] = std::from_chars(folder.data(), end, n);
  return error == std::errc() && at == end && n > 0 ? n : 0;
}

// Into a folder of its own under the next free number.
Result<int> keep(const Studio& studio, const std::string& name, const std::string& bytes) {
  const std::string sha = files::sha256(bytes);
  int id = 1;
  for (const auto& kept : kept_scanners(studio)) {
    if (kept.sha256 == sha) return kept.id;
    if (kept.name == name) {
      return refuse(ProblemKind::data,
                    fmt::format("a scanner curve named '{}' is kept already", name),
                    "Give this one another name, with its month or its settings.");
    }
    id = std::max(id, kept.id + 1);
  }
  while (!fs::create_directory(studio.scanners() / std::to_string(id))) ++id;
  const fs::path file = studio.scanners() / std::to_string(id) / (name + std::string(ending));
  if (auto ok = files::write_atomically(file, bytes); !ok) return std::unexpected(ok.error());
  return id;
}

Result<std::string> kept_answer(const Result<int>& id) {
  if (!id) return std::unexpected(id.error());
  return text_of({{"scanner", *id}});
}

Result<KeptScanner> kept_scanner(const Studio& studio, int id) {
  for (auto& kept : kept_scanners(studio)) {
    if (kept.id == id) return kept;
  }
  return refuse(ProblemKind::data, "that scanner curve is not kept here", "Choose another.");
}

}  // namespace

Result<void> fits_as_file_name(const std::string& name, const char* what, const char* example) {
  const auto control = [](char c) { return c >= 0 && c < ' '; };
  // UTF-8: every byte but 10xxxxxx begins a character. A file system takes 255 bytes, of which the
  // ending and the name while it is written want some.
  const auto letters = std::ranges::count_if(name, [](char c) { return (c & 0xC0) != 0x80; });
  if (!name.empty() && letters <= 60 && name.size() <= 200 && name.find('/') == std::string::npos &&
      name.front() != '.' && std::ranges::none_of(name, control)) {
    return {};
  }
  return refuse(ProblemKind::usage,
                fmt::format("the {} needs a name of 1 to 60 characters without a slash", what),
                example);
}

std::vector<KeptScanner> kept_scanners(const Studio& studio) {
  std::vector<KeptScanner> all;
  std::error_code failed;
  for (const fs::path& folder : files::paths_in(studio.scanners(), failed)) {
    const int id = number_of(folder.filename().string());
    if (id == 0) continue;
    for (const fs::path& path : files::paths_in(folder, failed)) {
      std::string name = path.filename().string();
      if (!name.ends_with(ending) || name.front() == '.') continue;
      auto sha = files::sha256_of_file(path);
      if (!sha) continue;
      name.resize(name.size() - ending.size());
      all.push_back({id, std::move(name), std::move(*sha), path});
    }
  }
  std::ranges::sort(all, {}, &KeptScanner::id);
  return all;
}

std::optional<KeptScanner> scanner_of(const std::vector<KeptScanner>& kept,
                                      const wedge::Batch& batch) {
  if (batch.scanner.sha256.empty()) return std::nullopt;
  const auto own = std::ranges::find(kept, batch.scanner.sha256, &KeptScanner::sha256);
  return own == kept.end() ? std::nullopt : std::optional(*own);
}

std::optional<KeptScanner> scanner_of(const Studio& studio, const wedge::Batch& batch) {
  return scanner_of(kept_scanners(studio), batch);
}

Result<fs::path> scanner_file(const Studio& studio, int id) {
  if (id == 0) return fs::path();
  auto kept = kept_scanner(studio, id);
  if (!kept) return std::unexpected(kept.error());
  return kept->file;
}

Result<std::string> new_scanner(const Studio& studio, const NewScanner& request) {
  return guarded("Measuring the scanner", [&]() -> Result<std::string> {
    if (auto ok = fits_as_file_name(request.name,
                                    "scanner curve",
                                    "Call it by scanner and settings, like 'flatbed 16 bit grey'.");
        !ok) {
      return std::unexpected(ok.error());
    }
    ScannerRequest r;
    const auto densities = grey_scale_densities(request.densities);
    if (!densities) return std::unexpected(densities.error());
    r.scan = request.scan;
    r.densities = *densities;
    r.dpi = request.dpi;
    const files::UnpublishedFolder own(studio.scanners());
    if (auto ok = own.make(); !ok) return std::unexpected(ok.error());
    r.out = own.path() / "curve.scanner.json";
    const auto curve = calibrate_scanner(r);
    const auto bytes = curve ? files::read_bytes(r.out) : std::unexpected(curve.error());
    if (!bytes) return std::unexpected(bytes.error());
    return kept_answer(keep(studio, request.name, *bytes));
  });
}

Result<std::string> take_scanner(const Studio& studio,
                                 const std::string& name,
                                 const std::string& text) {
  return guarded("Taking the scanner curve", [&]() -> Result<std::string> {
    std::string plain = name;
    for (const std::string_view end : {".json", ".scanner"}) {
      if (plain.ends_with(end)) plain.resize(plain.size() - end.size());
    }
    if (auto ok = fits_as_file_name(plain, "scanner curve", "Give its file another name."); !ok) {
      return std::unexpected(ok.error());
    }
    const auto curve = scan::scanner_curve_from_json(text, name);
    if (!curve) return std::unexpected(curve.error());
    return kept_answer(keep(studio, plain, text));
  });
}

Result<std::string> scanners_json(const Studio& studio) {
  return guarded("Reading the scanner curves", [&]() -> Result<std::string> {
    Json list = Json::array();
    for (const auto& kept : kept_scanners(studio)) {
      list.push_back({{"id", kept.id}, {"name", kept.name}});
    }
    return text_of({{"scanners", list}, {"scales", grey_scale_names()}});
  });
}

Result<std::string> scanner_page(const Studio& studio, int id) {
  return guarded("Reading the scanner curve", [&]() -> Result<std::string> {
    const auto kept = kept_scanner(studio, id);
    if (!kept) return std::unexpected(kept.error());
    const auto curve = load_scanner(kept->file);
    if (!curve) return std::unexpected(curve.error());
    Json patches = Json::array();
    for (const auto& p : (*curve)->patches) {
      patches.push_back({{"density", p.density.value()}, {"residual", p.residual}});
    }
    return text_of({{"id", kept->id},
                    {"name", kept->name},
                    {"sha256", kept->sha256},
                    {"bits", (*curve)->bits},
                    {"residual_sd", (*curve)->spread((*curve)->scan_channels)},
                    {"channels", (*curve)->channels.size()},
                    {"curve_svg", sheets::scanner_plot(**curve, sheets::PlotForm::svg)},
                    {"patches", patches},
                    {"notes", (*curve)->notes}});
  });
}

}  // namespace rebite::jobs
