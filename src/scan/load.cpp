#include "scan/load.h"

#include <fmt/format.h>

#include <cassert>
#include <cmath>
#include <optional>
#include <utility>

#include "files/files.h"

namespace rebite::scan {
namespace {

constexpr double least_dpi = 20, most_dpi = 20000;

bool sane(double dpi) { return std::isfinite(dpi) && dpi >= least_dpi && dpi <= most_dpi; }

// Where the stored pixel (column c, row r) of a width x height picture stands upright: base + c *
// per_column + r * per_row, as an index into the upright float picture (TIFF 6.0, Orientation).
struct Turn {
  std::ptrdiff_t base = 0, per_column = 1, per_row = 1;
};

Turn turn_of(int orientation, int width, int height) {
  const std::ptrdiff_t w = width, h = height;
  switch (orientation) {
    case 2:  // mirrored left to right
      return {w - 1, -1, w};
    case 3:  // half turn
      return {(h - 1) * w + w - 1, -1, -w};
    case 4:  // mirrored top to bottom
      return {(h - 1) * w, 1, -w};
    case 5:  // rows become columns; the upright picture is h wide
      return {0, h, 1};
    case 6:
      return {h - 1, h, -1};
    case 7:
      return {(w - 1) * h + h - 1, -h, -1};
    case 8:
      return {(w - 1) * h, -h, 1};
    default:
      return {0, 1, w};
  }
}

void place(const Block& block,
           const ToneTable& tone,
           const Turn& turn,
           std::vector<float>& line,
           cv::Mat1f& upright) {
  float* all = upright.ptr<float>();
  for (int r = 0; r < block.height; ++r) {
    float* to = all + turn.base + (block.y + r) * turn.per_row + block.x * turn.per_column;
    if (turn.per_column == 1) {
      tone.convert(block, r, to);
      continue;
    }
    tone.convert(block, r, line.data());
    for (int c = 0; c < block.width; ++c)
      to[c * turn.per_column] = line[static_cast<std::size_t>(c)];
  }
}

// 12- or 14-bit codes stored in 16 bits as they are end at a sixteenth or a quarter of the scale: as
// sRGB they would be the darks of another picture. (A scanner curve measured on such scans reads them
// rightly.)
std::optional<Problem> unused_scale(const CodeCensus& census,
                                    const LoadOptions& options,
                                    int bits,
                                    const std::string& name) {
  constexpr double least_used = 0.27, fewest_pixels = 10000;
  if (options.way != ToneWay::reflectance || options.scanner || bits != 16) return std::nullopt;
  if (census.pixels() < fewest_pixels || census.top_code() > least_used) return std::nullopt;
  return Problem{ProblemKind::data,
                 fmt::format("{}: its codes end at {:.0f} of 65535, {:.0f} % of the scale, as those of a "
                             "scan of fewer bits do that were stored in 16 as they are: what tones they "
                             "stand for cannot be told",
                             name,
                             65535 * census.top_code(),
                             100 * census.top_code()),
                 "Let the scanner software write 16 bits with white near the top of the scale. Or scan a "
                 "grey scale the same way (rebite scanner) and give its curve with --scanner."};
}

// The codes that a scanner curve was measured on, as a scan of so many channels is read with it.
std::vector<CodeRange> ranges_of(const ScannerCurve& curve, int channels) {
  std::vector<CodeRange> ranges;
  if (curve.by_channel(channels)) {
    for (const CodeCurve& c : curve.channels) ranges.push_back({c.code.front(), c.code.back()});
  } else {
    ranges.push_back({curve.code.front(), curve.code.back()});
  }
  return ranges;
}

}  // namespace

Result<void> check_user_dpi(double dpi) {
  if (dpi == 0 || sane(dpi)) return {};
  return refuse(
      ProblemKind::usage,
      fmt::format("a resolution of {} dpi is outside {:.0f} to {:.0f}", dpi, least_dpi, most_dpi),
      "Give the resolution the scan was made with, e.g. --dpi 300.");
}

Resolution resolution_of(const FileFacts& facts, double user_dpi) {
  Resolution r;
  const double x = facts.dpi_x, y = facts.dpi_y;
  const bool tagged = x != 0 || y != 0;
  if (facts.aspect_only) {
    if (tagged) r.notes.push_back("The resolution in the file has no unit and was not used.");
  } else if (sane(x) && sane(y)) {
    r.x = x;
    r.y = y;
  } else if (tagged) {
    r.notes.push_back(fmt::format(
        "The resolution in the file, {:.6g} x {:.6g} dpi, cannot be true and was not used.", x, y));
  }
  const auto is = [&](double dpi) {
    return std::abs(r.x - dpi) < 0.5 && std::abs(r.y - dpi) < 0.5;
  };
  const bool likely_default = is(72) || is(96);
  if (user_dpi > 0 && (r.x == 0 || likely_default)) {
    r.x = r.y = user_dpi;
  } else if (likely_default) {
    r.notes.push_back(fmt::format(
        "The file says {:.0f} dpi, which programs write when they do not know: if it was "
        "scanned at another resolution say so with --dpi.",
        r.x));
  } else if (user_dpi > 0 && std::abs(r.x / user_dpi - 1) > 0.01) {
    r.notes.push_back(fmt::format(
        "The file says {:.1f} dpi and --dpi says {:.1f}; the file is followed.", r.x, user_dpi));
  }
  if (r.x > 0 && std::abs(r.x / r.y - 1) > 0.005) {
    r.notes.push_back(fmt::format(
        "The resolution differs along the stored rows and columns: {:.1f} and {:.1f} dpi.",
        r.x,
        r.y));
  }
  return r;
}

ScanInfo info_of(const std::filesystem::path& file, const FileFacts& facts, const Resolution& dpi) {
  ScanInfo info;
  info.file = file;
  info.width_px = facts.width;
  info.height_px = facts.height;
  info.bits = facts.bits;
  info.channels = facts.channels;
  info.format = facts.format;
  info.orientation = facts.orientation;
  if (dpi.x > 0) {
    info.x = PxPerMm::of_dpi(dpi.x);
    info.y = PxPerMm::of_dpi(dpi.y);
  }
  if (facts.orientation >= 5) {
    std::swap(info.width_px, info.height_px);
    std::swap(info.x, info.y);
  }
  return info;
}

Result<Loaded> load(const std::filesystem::path& file,
                    const LoadOptions& options,
                    const Progress& progress) {
  if (auto r = check_user_dpi(options.dpi); !r) return std::unexpected(r.error());
  ReadLimits limits;
  limits.max_megapixels = options.max_megapixels;
  auto source = open_scan(file, limits);
  if (!source) return std::unexpected(source.error());
  const FileFacts& facts = (*source)->facts();
  const std::string name = files::shown(file);
  const Resolution dpi = resolution_of(facts, options.dpi);
  if (options.resolution_needed && dpi.x == 0) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: the file does not say at which resolution it was scanned{}",
                              name,
                              dpi.notes.empty() ? "" : " (" + dpi.notes.front() + ")"),
                  "Say it, e.g. --dpi 300, or save the scan with its resolution.");
  }
  Loaded out;
  out.info = info_of(file, facts, dpi);
  const ToneTable tone = ToneTable::make(facts, options.scanner, options.way);
  out.values.create(out.info.height_px, out.info.width_px);
  assert(out.values.isContinuous());
  const Turn turn = turn_of(facts.orientation, facts.width, facts.height);
  CodeCensus census(facts.bits, facts.channels);
  if (options.scanner && !options.scanner->code.empty()) {
    census.watch(ranges_of(*options.scanner, facts.channels));
  }
  std::vector<float> line(static_cast<std::size_t>(facts.width));
  const double all = double(facts.width) * facts.height;
  const std::string doing = "reading " + name;
  const auto take = [&](const Block& block) {
    place(block, tone, turn, line, out.values);
    census.take(block);
    progress.at(census.pixels() / all, doing);
    return !progress.stopped();
  };
  if (auto r = (*source)->read(take); !r) return std::unexpected(r.error());
  if (census.pixels() < all) {
    return refuse(ProblemKind::stopped, "Stopped.", "Nothing was written.");
  }
  if (auto unused = unused_scale(census, options, facts.bits, name)) {
    return std::unexpected(std::move(*unused));
  }
  out.info.profile = tone.profile();
  out.info.tone = tone.source();
  out.info.clipped_high = census.clipped_high();
  out.info.clipped_low = census.clipped_low();
  out.doubt = tone.doubt();
  const auto add = [&out](const Notes& notes) {
    out.notes.insert(out.notes.end(), notes.begin(), notes.end());
  };
  add(facts.notes);
  add(dpi.notes);
  if (options.way == ToneWay::reflectance) add(tone.notes());
  add(census.notes(facts.lossy));
  if (options.scanner && !options.scanner->code.empty()) {
    const double outside = census.share_outside();
    if (outside > 0.001) {
      out.notes.push_back(fmt::format(
          "{:.1f} % of the pixels are lighter or darker than the grey scale that the scanner curve "
          "was measured on: the lighter ones were read as its lightest patch, the darker ones by carrying "
          "its curve on.",
          100 * outside));
    }
  }
  return out;
}

}  // namespace rebite::scan
