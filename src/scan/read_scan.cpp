#include "scan/read_scan.h"

#include <fmt/format.h>

#include <cmath>
#include <utility>

#include "files/files.h"
#include "scan/load.h"
#include "scan/paper_white.h"

namespace rebite::scan {
namespace {

// Printing papers reflect 0.7 to 0.9, toned ones 0.4 and more (common practice, no source).
constexpr double dim_paper = 0.35;

double scale_of(const ScanInfo& info) {
  return info.x && info.y ? std::sqrt(info.x->value() * info.y->value()) : 0;
}

LoadOptions load_options(const ReadOptions& options) {
  LoadOptions l;
  l.dpi = options.dpi;
  l.resolution_needed = options.resolution_needed;
  l.scanner = options.scanner;
  l.max_megapixels = options.max_megapixels;
  return l;
}

// The fall-off of the light from a blank sheet, on the pixels of the scan. Both are placed by their
// top-left corner on the platen; resolutions may differ.
Result<WhiteField> light_from_blank(const ReadOptions& options,
                                    const ScanInfo& scan,
                                    const Progress& progress,
                                    Notes& notes) {
  auto blank = load(*options.blank, load_options(options), progress);
  if (!blank) return std::unexpected(blank.error());
  const std::string name = files::shown(*options.blank);
  const double ratio_x = scan.x && blank->info.x ? blank->info.x->value() / scan.x->value() : 1;
  const double ratio_y = scan.y && blank->info.y ? blank->info.y->value() / scan.y->value() : 1;
  const double covers_x = blank->values.cols / (scan.width_px * ratio_x);
  const double covers_y = blank->values.rows / (scan.height_px * ratio_y);
  if (covers_x < 0.9 || covers_y < 0.9) {
    return refuse(
        ProblemKind::data,
        fmt::format("{}: the blank sheet covers only {:.0f} % of the scan's width and {:.0f} "
                    "% of its height",
                    name,
                    100 * std::min(1.0, covers_x),
                    100 * std::min(1.0, covers_y)),
        "Scan a blank sheet over the same part of the platen, at least as large.");
  }
  const PaperWhite white = fit_blank_sheet(blank->values, scale_of(blank->info));
  if (white.residual_sd > 0.01 || white.paper_share < 0.8) {
    return refuse(
        ProblemKind::data,
        fmt::format("{}: this is no blank sheet, its tone is off a smooth white by {:.3f} D "
                    "where 0.01 is allowed",
                    name,
                    white.residual_sd),
        "Scan an empty white sheet with the same settings, or leave --blank away.");
  }
  notes.push_back(
      fmt::format("The fall-off of the light ({:.1f} %) was taken from the blank sheet.",
                  100 * white.unevenness));
  WhiteField field = white.field;
  // Same polynomial over the scan's own pixels: its unit square is stretched to the blank's size.
  field.width = static_cast<int>(std::lround((field.width - 1) / ratio_x)) + 1;
  field.height = static_cast<int>(std::lround((field.height - 1) / ratio_y)) + 1;
  field.terms[0] -= field.log_at(scan.width_px * 0.5, scan.height_px * 0.5);
  return field;
}

// Paper lighter than the lightest patch of the grey scale was read as that patch: all densities of
// the sheet are then too low by the same unknown amount.
void check_white_on_curve(const ScannerCurve& scanner,
                          double paper,
                          DensityImage& image) {
  const double lightest = scanner.lightest(image.info.channels);
  if (paper < 0.995 * lightest) return;
  image.doubt.floor = std::hypot(image.doubt.floor, 0.02);
  image.notes.push_back(
      fmt::format("The paper is as light as the lightest patch of the grey scale (D {:.2f}) or "
                  "lighter: its white "
                  "lies outside the measured range and densities may be too low. Measure the "
                  "scanner again with a "
                  "scale whose lightest patch is lighter than the paper.",
                  -std::log10(lightest)));
}

// Ink that the grey scale's darkest patch does not reach.
struct DarksBeyond {
  double share = 0;  // of the dark pixels
  double by = 0;     // reflectance below that patch, mean over the dark pixels
};

// Before the paper is divided out. Every fourth row tells a share as well as all do.
DarksBeyond darks_beyond(const ScannerCurve& scanner, const DensityImage& image) {
  const double darkest = scanner.darkest(image.info.channels);
  double below = 0, dark = 0, beyond = 0;
  for (int y = 0; y < image.relative.rows; y += 4) {
    const float* row = image.relative[y];
    for (int x = 0; x < image.relative.cols; ++x) {
      const double r = row[x];
      if (!(r < 2 * darkest)) continue;  // ink, to 0.3 D lighter than that patch
      ++dark;
      if (r >= 0.98 * darkest) continue;
      ++beyond;
      below += darkest - r;
    }
  }
  if (dark < 100 || beyond < 0.02 * dark) return {};
  return {beyond / dark, below / dark};
}

// `paper`: reflectance that the image's tones are relative to.
void doubt_darks(const DarksBeyond& darks,
                 const ScannerCurve& scanner,
                 double paper,
                 DensityImage& image) {
  image.doubt.carried_on = darks.by / paper;
  if (image.doubt.carried_sd(Density::of(1.3)) < 0.003) return;  // nothing that a plan would feel
  image.notes.push_back(fmt::format(
      "{:.0f} % of the darks are darker than the grey scale's darkest patch (D {:.2f}): they were read "
      "by carrying the scanner's curve on, and darks are doubtful by {:.3f} D more for it. A grey scale "
      "that goes to your solid black makes them sure.",
      100 * darks.share,
      -std::log10(scanner.darkest(image.info.channels)),
      image.doubt.carried_sd(Density::of(1.3))));
}

}  // namespace

Result<DensityImage> read_scan(const std::filesystem::path& file,
                               const ReadOptions& options,
                               const Progress& progress) {
  auto loaded = load(file, load_options(options), progress.part(0, options.blank ? 0.45 : 0.65));
  if (!loaded) return std::unexpected(loaded.error());
  DensityImage image;
  image.relative = loaded->values;
  image.info = loaded->info;
  image.doubt = loaded->doubt;
  image.notes = std::move(loaded->notes);
  const DarksBeyond darks = options.scanner ? darks_beyond(*options.scanner, image) : DarksBeyond{};
  if (!options.relative_to_paper) {
    if (options.scanner) doubt_darks(darks, *options.scanner, 1, image);
    return image;
  }
  WhiteField light;
  const WhiteField* shape = nullptr;
  if (options.blank) {
    auto found = light_from_blank(options, image.info, progress.part(0.45, 0.65), image.notes);
    if (!found) return std::unexpected(found.error());
    light = *found;
    shape = &light;
  }
  progress.at(0.65, "finding the bare paper");
  const PaperWhite white = find_paper_white(image.relative, scale_of(image.info), shape);
  divide_by(image.relative, white.field, shape);
  if (const double beyond = leave_out_beyond(image.relative, white.sheet_px); beyond > 0) {
    image.notes.push_back(fmt::format(
        "The sheet is smaller than the scan: {:.0f} % of it lies beyond the sheet and was "
        "left out.",
        100 * beyond));
  }
  image.paper_residual_sd = white.residual_sd;
  image.paper_unevenness = white.unevenness;
  const double middle = white.field.at(image.info.width_px * 0.5, image.info.height_px * 0.5);
  if (white.margins_seen) image.paper_reflectance = middle;
  image.doubt.floor = std::hypot(image.doubt.floor, white.doubt);
  if (options.scanner) {
    doubt_darks(darks, *options.scanner, middle, image);
    check_white_on_curve(*options.scanner, middle, image);
  } else if (white.margins_seen && middle < dim_paper) {
    image.notes.push_back(
        fmt::format("The bare paper reads as {:.0f} % of white: unless the paper is that dark, the scan "
                    "is under-exposed or its codes are no sRGB, and its densities are wrong. Check the "
                    "scanner's exposure, or measure its curve with a grey scale (rebite scanner).",
                    100 * middle));
  }
  image.notes.insert(image.notes.end(), white.notes.begin(), white.notes.end());
  progress.at(1, "scan read");
  return image;
}

Result<ScanInfo> read_scan_info(const std::filesystem::path& file) {
  auto source = open_scan(file, {});
  if (!source) return std::unexpected(source.error());
  const FileFacts& facts = (*source)->facts();
  ScanInfo info = info_of(file, facts, resolution_of(facts, 0));
  const ToneTable tone = ToneTable::make(facts, nullptr);
  info.profile = tone.profile();
  info.tone = tone.source();
  return info;
}

}  // namespace rebite::scan
