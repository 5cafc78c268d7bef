#include "jobs/calibrate.h"

#include <fmt/format.h>

#include <algorithm>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>

#include "embedded_grey_scales.h"
#include "files/files.h"
#include "jobs/guard.h"
#include "jobs/paper_match.h"
#include "jobs/scanner_match.h"
#include "jobs/wedge_picture.h"
#include "sheets/plots.h"
#include "wedge/make_batch.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {

// "studio/ferric.batch.json" -> "ferric".
std::string batch_name(const fs::path& out) {
  std::string name = out.filename().string();
  for (const std::string_view ending : {".json", ".batch"}) {
    if (name.size() > ending.size() && name.ends_with(ending)) {
      name.resize(name.size() - ending.size());
    }
  }
  return name;
}

// By the name's ending, in capitals or not; nothing for another.
std::optional<sheets::PlotForm> form_of(const fs::path& plot) {
  const std::string ending = ending_of(plot);
  if (ending == ".png") return sheets::PlotForm::png;
  if (ending == ".svg") return sheets::PlotForm::svg;
  return std::nullopt;
}

// `start`: how what is written to `out` begins.
Result<void> outputs_are_fine(const fs::path& out,
                              std::string_view start,
                              const fs::path& plot,
                              const std::vector<fs::path>& inputs) {
  const bool png = form_of(plot) == sheets::PlotForm::png;
  for (const auto& [file, begins] : {std::pair(out, start), std::pair(plot, png ? png_start : "")}) {
    if (file.empty()) continue;
    if (auto ok = output_is_no_input(file, inputs); !ok) return ok;
    if (auto ok = output_can_be_written(file, begins); !ok) return ok;
  }
  if (!plot.empty() && plot == out) {
    return refuse(ProblemKind::usage,
                  fmt::format("{}: is named by --out and by --plot", files::shown(out)),
                  "Give the picture another name.");
  }
  const std::string ending = plot.extension().string();
  if (!plot.empty() && !form_of(plot)) {
    return refuse(
        ProblemKind::usage,
        fmt::format(
            "{}: a curve is drawn as .png or .svg, not as '{}'", files::shown(plot), ending),
        "Name the picture with --plot curve.svg.");
  }
  return {};
}

struct Impressions {
  std::vector<std::vector<wedge::FoundStep>> steps;
  std::vector<SeenPaper> papers;
  sheets::WedgePicture picture;  // of the first, where a plot is wanted
  Notes notes;
};

Result<Impressions> impressions_of(const BatchRequest& request, const Progress& progress) {
  Impressions all;
  wedge::FindOptions options;
  options.steps = static_cast<int>(request.times.size());
  options.unbitten = std::any_of(
      request.times.begin(), request.times.end(), [](BiteTime t) { return !(t.in_seconds() > 0); });
  options.window_mm = request.window_mm;
  const double n = static_cast<double>(request.scans.size());
  for (const auto& file : request.scans) {
    const double done = static_cast<double>(all.steps.size());
    const auto image = load_scan(file, request.read, progress.part(done / n, (done + 0.8) / n));
    if (!image) return std::unexpected(image.error());
    auto steps = wedge::find_steps(*image, options);
    if (!steps) return std::unexpected(steps.error());
    if (all.steps.empty() && !request.plot.empty()) all.picture = wedge_picture(*image, *steps);
    all.steps.push_back(std::move(*steps));
    all.papers.push_back(paper_of(files::shown(file.filename()), *image));
    all.notes.insert(all.notes.end(), image->notes.begin(), image->notes.end());
    if (progress.stopped()) return stopped_by_user();
  }
  return all;
}

// A ladder rises or falls along the wedge; anything else is a slip in the list of times.
Result<void> times_in_order(const BatchRequest& request) {
  const auto& t = request.times;
  if (std::is_sorted(t.begin(), t.end()) || std::is_sorted(t.rbegin(), t.rend())) return {};
  const auto slip = t.back() >= t.front()
                        ? std::is_sorted_until(t.begin(), t.end())
                        : std::is_sorted_until(t.begin(), t.end(), std::greater<>());
  return refuse(ProblemKind::data,
                fmt::format("{}: the steps are out of order: {} is followed by {}",
                            files::shown(request.scans.front()),
                            clock_text(*(slip - 1)),
                            clock_text(*slip)),
                "Give one time for each step in the order in which the steps lie on the wedge, "
                "rising or falling; --times are totals, --dips are single dips.");
}

// Of the impressions, before those of a crossed wedge come to them.
void keep_paper(const std::vector<SeenPaper>& papers, wedge::Batch& batch) {
  double known = 0;
  for (const SeenPaper& p : papers) {
    if (p.reflectance <= 0) continue;
    batch.paper_reflectance += p.reflectance;
    batch.paper_unevenness = std::max(batch.paper_unevenness, p.unevenness);
    ++known;
  }
  if (known > 0) batch.paper_reflectance /= known;
}

// Puts the overlap that the crossed wedge shows into the batch.
Result<void> cross(const BatchRequest& request,
                   wedge::Batch& batch,
                   std::vector<SeenPaper>& papers,
                   const Progress& progress) {
  if (request.crossed_scans.empty()) return {};
  std::vector<scan::DensityImage> images;
  for (const auto& file : request.crossed_scans) {
    auto image = load_scan(file, request.read, progress);
    if (!image) return std::unexpected(image.error());
    batch.notes.insert(batch.notes.end(), image->notes.begin(), image->notes.end());
    papers.push_back(paper_of(files::shown(file.filename()), *image));
    images.push_back(std::move(*image));
    if (progress.stopped()) return stopped_by_user();
  }
  const auto overlap = wedge::measure_overlap(
      images, request.crossed_times, batch.curve, batch.solid, batch.noise_density);
  if (!overlap) {
    Problem problem = overlap.error();
    const std::string name = request.crossed_scans.front().filename().string();
    if (problem.what.find(name) == std::string::npos) problem.what = name + ": " + problem.what;
    return std::unexpected(problem);
  }
  batch.overlap = overlap->rule;
  batch.notes.insert(batch.notes.end(), overlap->notes.begin(), overlap->notes.end());
  return {};
}

// The picture, if one was asked for, then the file: where the picture fails the file stays as it was.
template <class Draw>
Result<void> write_with_plot(const fs::path& out,
                             const std::string& json,
                             const fs::path& plot,
                             Draw&& draw) {
  if (!plot.empty()) {
    if (auto ok = files::write_atomically(plot, draw(*form_of(plot))); !ok) return ok;
  }
  return files::write_atomically(out, json + "\n");
}

}  // namespace

Result<std::vector<BiteTime>> totals_of_dips(const std::vector<BiteTime>& dips) {
  return wedge::totals_from_dips(dips);
}

Result<cv::Rect2d> parse_window(std::string_view text) {
  const auto n = parse_numbers(text);
  if (!n || n->size() != 4 || (*n)[2] <= 0 || (*n)[3] <= 0) {
    return refuse(ProblemKind::usage,
                  fmt::format("'{}' is not a window on the scan", text),
                  "Write X,Y,W,H in mm from the scan's top-left corner, like 20,35,140,40.");
  }
  return cv::Rect2d((*n)[0], (*n)[1], (*n)[2], (*n)[3]);
}

Result<std::vector<double>> grey_scale_densities(const std::string& text) {
  if (text.find_first_of("abcdefghijklmnopqrstuvwxyz") == std::string::npos) {
    return parse_numbers(text);
  }
  const auto published = nlohmann::json::parse(grey_scales_files().front().second);
  for (const auto& scale : published.at("scales")) {
    if (scale.at("name") == text) return scale.at("densities").get<std::vector<double>>();
  }
  return refuse(ProblemKind::usage,
                fmt::format("'{}' is neither a list of densities nor a published grey scale", text),
                fmt::format("Write the densities like 0.05,0.43,1.06, or one of: {}.",
                            fmt::join(grey_scale_names(), ", ")));
}

std::vector<std::string> grey_scale_names() {
  std::vector<std::string> names;
  const auto published = nlohmann::json::parse(grey_scales_files().front().second);
  for (const auto& scale : published.at("scales")) names.push_back(scale.at("name"));
  return names;
}

Result<scan::ScannerCurve> calibrate_scanner(const ScannerRequest& request) {
  return guarded("Measuring the scanner", [&]() -> Result<scan::ScannerCurve> {
    if (auto ok = outputs_are_fine(
            request.out, R"({"format":"rebite-scanner")", request.plot, {request.scan}); !ok) {
      return std::unexpected(ok.error());
    }
    auto curve = scan::measure_scanner(request.scan, {request.densities, request.dpi});
    if (!curve) return curve;
    const auto draw = [&](sheets::PlotForm form) { return sheets::scanner_plot(*curve, form); };
    if (auto ok = write_with_plot(request.out, scan::to_json(*curve), request.plot, draw); !ok) {
      return std::unexpected(ok.error());
    }
    return curve;
  });
}

Result<wedge::Batch> calibrate_batch(const BatchRequest& request, const Progress& progress) {
  return guarded("Measuring the wedge", [&]() -> Result<wedge::Batch> {
    std::vector<fs::path> inputs = request.scans;
    inputs.insert(inputs.end(), request.crossed_scans.begin(), request.crossed_scans.end());
    inputs.insert(inputs.end(), {request.read.scanner, request.read.blank});
    if (auto ok = outputs_are_fine(
            request.out, R"({"format":"rebite-batch")", request.plot, inputs); !ok) {
      return std::unexpected(ok.error());
    }
    if (auto ok = check_day(request.bitten_on, "the wedge was bitten"); !ok) {
      return std::unexpected(ok.error());
    }
    if (request.times.size() < 3) {
      return refuse(
          ProblemKind::usage,
          fmt::format("{} times were given; a wedge needs at least 3 steps", request.times.size()),
          "Give one time for each step, unbitten ones as 0s.");
    }
    if (auto ok = times_in_order(request); !ok) return std::unexpected(ok.error());
    for (const auto* scans : {&request.scans, &request.crossed_scans}) {
      // Counted again, a print would tell a spread of nothing between prints.
      if (auto ok = each_scan_once(
              *scans,
              "Give each print of the wedge once: several scans are several prints, and their spread "
              "is measured.");
          !ok) {
        return std::unexpected(ok.error());
      }
    }
    auto impressions = impressions_of(request, progress.part(0, 0.6));
    if (!impressions) return std::unexpected(impressions.error());
    wedge::BatchInfo info{batch_name(request.out),
                          request.mordant,
                          request.strength,
                          request.metal,
                          request.ground,
                          {},
                          request.bitten_on};
    if (request.temperature) info.temperature_c = request.temperature->in_celsius();
    auto scanner = wedge_scanner(request.read.scanner);
    if (!scanner) return std::unexpected(scanner.error());
    auto batch = wedge::make_batch(impressions->steps, request.times, info);
    if (!batch) {
      Problem problem = batch.error();
      problem.what = fmt::format("{}: {}", files::shown(request.scans.front()), problem.what);
      return std::unexpected(problem);
    }
    batch->scanner = std::move(*scanner);
    keep_paper(impressions->papers, *batch);
    const auto add = [&](const Notes& notes) {
      for (const std::string& note : notes) {  // what holds for wedge and crossed wedge alike: once
        if (std::ranges::find(batch->notes, note) == batch->notes.end()) batch->notes.push_back(note);
      }
    };
    add(impressions->notes);
    if (auto ok = cross(request, *batch, impressions->papers, progress.part(0.6, 0.95)); !ok) {
      return std::unexpected(ok.error());
    }
    add(paper_notes(impressions->papers));
    if (progress.stopped()) return stopped_by_user();
    name_steps(batch->steps, impressions->picture);
    const auto draw = [&](sheets::PlotForm form) {
      return sheets::tone_curve_plot(*batch, form, &impressions->picture);
    };
    if (auto ok = write_with_plot(request.out, wedge::to_json(*batch), request.plot, draw); !ok) {
      return std::unexpected(ok.error());
    }
    return batch;
  });
}

}  // namespace rebite::jobs
