#include "jobs/inputs.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <chrono>
#include <cstdio>
#include <exception>
#include <fstream>
#include <thread>

#include "files/files.h"

namespace rebite::jobs {
namespace fs = std::filesystem;

namespace {

Result<scan::DensityImage> load_with(const fs::path& file,
                                     const ScanChoice& choice,
                                     const scan::ScannerCurve* curve,
                                     const Progress& progress) {
  scan::ReadOptions options;
  options.dpi = choice.dpi;
  options.resolution_needed = choice.resolution_needed;
  options.relative_to_paper = choice.relative_to_paper;
  options.scanner = curve;
  options.blank = choice.blank.empty() ? nullptr : &choice.blank;
  return scan::read_scan(file, options, progress);
}

// Two different scans part within their first bytes, so hardly anything is read. A file that cannot
// be read is told when it is read as a scan.
bool same_content(const fs::path& a, const fs::path& b) {
  std::error_code bad;
  const auto size = fs::file_size(a, bad);
  if (bad || size != fs::file_size(b, bad) || bad) return false;
  if (fs::equivalent(a, b, bad)) return true;
  std::ifstream one(a, std::ios::binary), other(b, std::ios::binary);
  std::array<char, 65536> here{}, there{};
  while (one && other) {
    one.read(here.data(), here.size());
    other.read(there.data(), there.size());
    const auto n = one.gcount();
    if (n != other.gcount() || !std::equal(here.begin(), here.begin() + n, there.begin())) {
      return false;
    }
  }
  return one.eof() && other.eof();
}

}  // namespace

Result<void> each_scan_once(const std::vector<fs::path>& scans, std::string_view next) {
  for (auto at = scans.begin(); at != scans.end(); ++at) {
    for (auto other = scans.begin(); other != at; ++other) {
      if (!same_content(*other, *at)) continue;
      return refuse(ProblemKind::usage,
                    *at == *other ? fmt::format("{}: is given twice", files::shown(*at))
                                  : fmt::format("{}: is the same scan as {}",
                                                files::shown(*at),
                                                files::shown(*other)),
                    std::string(next));
    }
  }
  return {};
}

Result<std::optional<scan::ScannerCurve>> load_scanner(const fs::path& file) {
  if (file.empty()) return std::nullopt;
  const auto text = files::read_bytes(file, most_json_bytes);
  if (!text) return std::unexpected(text.error());
  auto curve = scan::scanner_curve_from_json(*text, files::shown(file));
  if (!curve) return std::unexpected(curve.error());
  return std::move(*curve);
}

Result<wedge::Batch> load_batch(const fs::path& file) {
  const auto text = files::read_bytes(file, most_json_bytes);
  if (!text) return std::unexpected(text.error());
  return wedge::batch_from_json(*text, files::shown(file));
}

Result<scan::DensityImage> load_scan(const fs::path& file,
                                     const ScanChoice& choice,
                                     const Progress& progress) {
  const auto curve = load_scanner(choice.scanner);
  if (!curve) return std::unexpected(curve.error());
  return load_with(file, choice, *curve ? &**curve : nullptr, progress);
}

Result<std::pair<scan::DensityImage, scan::DensityImage>> load_pair(const fs::path& proof,
                                                                    const fs::path& drawing,
                                                                    const ScanChoice& choice,
                                                                    const Progress& progress) {
  const auto curve = load_scanner(choice.scanner);
  if (!curve) return std::unexpected(curve.error());
  const scan::ScannerCurve* scanner = *curve ? &**curve : nullptr;

  // Where one is refused, the other is not read to its end.
  std::stop_source either;
  const std::stop_callback user(progress.stop, [&] { either.request_stop(); });
  Result<scan::DensityImage> second = refuse(ProblemKind::internal, "not read", "");
  std::exception_ptr thrown;
  std::jthread reader([&] {
    try {
      second = load_with(drawing, choice, scanner, Progress{nullptr, either.get_token()});
    } catch (...) {
      thrown = std::current_exception();
    }
    if (thrown || !second) either.request_stop();
  });
  auto first = load_with(proof, choice, scanner, Progress{progress.report, either.get_token()});
  if (!first) either.request_stop();
  reader.join();
  if (thrown) std::rethrow_exception(thrown);
  if (!first && (second || first.error().kind != ProblemKind::stopped)) {
    return std::unexpected(first.error());
  }
  if (!second) return std::unexpected(second.error());
  return std::pair{std::move(*first), std::move(*second)};
}

Notes said_of(std::string_view what, Notes notes) {
  for (auto& note : notes) note = fmt::format("{}: {}", what, note);
  return notes;
}

Result<void> check_day(const std::string& day, std::string_view what_happened) {
  if (day.empty()) return {};
  constexpr std::string_view pattern = "0000-00-00";
  const bool written_so = std::ranges::equal(day, pattern, [](char is, char wanted) {
    return wanted == '0' ? is >= '0' && is <= '9' : is == wanted;
  });
  int y = 0, m = 0, d = 0;
  const int found = std::sscanf(day.c_str(), "%4d-%2d-%2d", &y, &m, &d);
  const std::chrono::year_month_day date{std::chrono::year{y},
                                         std::chrono::month{static_cast<unsigned>(m)},
                                         std::chrono::day{static_cast<unsigned>(d)}};
  if (written_so && found == 3 && m > 0 && d > 0 && date.ok()) return {};
  return refuse(ProblemKind::usage,
                fmt::format("'{}' is no day", files::shown(day)),
                fmt::format("Write the day {} as year-month-day, e.g. 2026-05-04.", what_happened));
}

std::string ending_of(const fs::path& file) {
  std::string ending = file.extension().string();
  for (char& c : ending) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return ending;
}

Result<void> output_is_no_input(const fs::path& output, const std::vector<fs::path>& inputs) {
  std::error_code error;
  for (const auto& input : inputs) {
    if (!input.empty() && fs::equivalent(output, input, error)) {
      return refuse(
          ProblemKind::usage,
          fmt::format("{}: is named as output, but it is an input too", files::shown(output)),
          "Name another output with --out. Nothing was changed.");
    }
  }
  return {};
}

Result<void> output_can_be_written(const fs::path& output, std::string_view start) {
  if (output.empty()) {
    return refuse(ProblemKind::usage, "an output's name is empty", "Give it a name.");
  }
  const auto resolved = files::behind_link(output.has_filename() ? output : output.parent_path());
  if (!resolved) return std::unexpected(resolved.error());
  const fs::path& target = *resolved;
  fs::path folder = target.parent_path();
  if (folder.empty()) folder = ".";
  std::error_code error;
  if (!fs::is_directory(folder, error)) {
    return refuse(
        ProblemKind::cannot_create,
        fmt::format("{}: the folder {} does not exist", files::shown(output), files::shown(folder)),
        "Make the folder first, or name another place.");
  }
  const bool in_folder = fs::is_directory(target, error);  // what is written lies in it
  if (!in_folder) {
    if (auto ok = files::may_replace(target, start); !ok) return ok;
  }
  files::sweep_stale(folder);  // what a killed run may have left
  if (in_folder) {
    folder = target;
    files::sweep_stale(folder);
  }
  if (::access(folder.c_str(), W_OK | X_OK) != 0) {
    return refuse(
        ProblemKind::cannot_create,
        fmt::format(
            "{}: the folder {} may not be written", files::shown(output), files::shown(folder)),
        "Choose a folder of your own.");
  }
  return {};
}

}  // namespace rebite::jobs
