#include "scan/find_greys.h"
#include "scan/median.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numeric>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "scan/patch_row.h"

namespace rebite::scan {
namespace {

constexpr double working_side = 1400;  // px, longer side of the picture the row is looked for on

// Tone for looking: steps of equal density are about equally high in it.
float looking_tone(float code) { return std::log(code + 0.012F); }

// The picture turned so that patch edges run upright, with the way back.
struct Turned {
  cv::Mat1f tone;         // NaN outside the scan
  cv::Matx23d scan_from;  // working (turned) pixels to scan pixels
};

// Angle of the edges in the picture, 0..90 degrees: the mean of gradient directions taken four
// times, so that the sides of a rectangle agree; strong edges count by their square.
double edge_angle(const cv::Mat1f& tone) {
  cv::Mat1f smooth, dx, dy;
  cv::GaussianBlur(tone, smooth, {5, 5}, 1.2);
  cv::Scharr(smooth, dx, CV_32F, 1, 0);
  cv::Scharr(smooth, dy, CV_32F, 0, 1);
  std::complex<double> sum = 0;
  for (int y = 2; y + 2 < tone.rows; ++y) {
    for (int x = 2; x + 2 < tone.cols; ++x) {
      const std::complex<double> g(double(dx(y, x)), double(dy(y, x)));
      const std::complex<double> g2 = g * g;
      const double power = std::norm(g);
      if (power > 0) sum += g2 * g2 / power;
    }
  }
  return std::arg(sum) / 4 * 180 / CV_PI;
}

Turned turn(const cv::Mat1f& tone, double scale, double degrees) {
  const double a = degrees * CV_PI / 180, c = std::cos(a), s = std::sin(a);
  const double w = tone.cols, h = tone.rows;
  const int tw = static_cast<int>(std::ceil(std::abs(w * c) + std::abs(h * s)));
  const int th = static_cast<int>(std::ceil(std::abs(w * s) + std::abs(h * c)));
  // Source = R(a) * (turned - its centre) + centre of the source.
  cv::Matx23d from(c, -s, 0, s, c, 0);
  from(0, 2) = (w - 1) / 2 - (c * (tw - 1) / 2 - s * (th - 1) / 2);
  from(1, 2) = (h - 1) / 2 - (s * (tw - 1) / 2 + c * (th - 1) / 2);
  Turned t;
  cv::warpAffine(tone,
                 t.tone,
                 from,
                 {tw, th},
                 cv::INTER_LINEAR | cv::WARP_INVERSE_MAP,
                 cv::BORDER_CONSTANT,
                 cv::Scalar(-1000));
  for (float& v : t.tone) {
    // Below the tone of code 0: mixed with the outside.
    if (v < -4.45F) v = std::numeric_limits<float>::quiet_NaN();
  }
  // Working pixel centres to scan pixel centres.
  const double off = (scale - 1) / 2;
  t.scan_from = cv::Matx23d(from(0, 0) * scale,
                            from(0, 1) * scale,
                            from(0, 2) * scale + off,
                            from(1, 0) * scale,
                            from(1, 1) * scale,
                            from(1, 2) * scale + off);
  return t;
}

// Rows y and y + 2 of a picture that shows the same all along: their mean difference.
std::vector<double> row_changes(const cv::Mat1f& tone) {
  std::vector<double> change(static_cast<std::size_t>(tone.rows), 1e9);
  for (int y = 0; y + 2 < tone.rows; ++y) {
    double sum = 0;
    int n = 0;
    for (int x = 0; x < tone.cols; ++x) {
      const float d = tone(y + 2, x) - tone(y, x);
      if (std::isnan(d)) continue;
      sum += std::abs(double(d));
      ++n;
    }
    if (n > tone.cols / 8) change[static_cast<std::size_t>(y)] = sum / n;
  }
  return change;
}

struct Band {
  int from = 0, to = 0;  // rows [from, to)
};

// Runs of rows that show the same profile.
std::vector<Band> bands(const cv::Mat1f& tone) {
  const std::vector<double> change = row_changes(tone);
  std::vector<double> known;
  for (const double c : change) {
    if (c < 1e8) known.push_back(c);
  }
  std::vector<Band> found;
  if (known.empty()) return found;
  // Slanted edges flicker by a fraction of a pixel from row to row.
  const double limit = 3 * median(known) + 0.012;
  const int least = std::max(5, tone.rows / 100);
  int start = -1;
  for (int y = 0; y <= tone.rows; ++y) {
    const bool calm = y < tone.rows && change[static_cast<std::size_t>(y)] < limit;
    if (calm && start < 0) start = y;
    if (!calm && start >= 0) {
      if (y - start >= least) found.push_back({start, y + 1});
      start = -1;
    }
  }
  return found;
}

std::vector<double> profile_of(const cv::Mat1f& tone, int from, int to) {
  std::vector<double> profile(static_cast<std::size_t>(tone.cols));
  std::vector<double> column;
  for (int x = 0; x < tone.cols; ++x) {
    column.clear();
    for (int y = from; y < to; ++y) {
      if (!std::isnan(tone(y, x))) column.push_back(double(tone(y, x)));
    }
    const bool enough = 2 * static_cast<int>(column.size()) > to - from;
    profile[static_cast<std::size_t>(x)] = enough ? median(column) : std::nan("");
  }
  return profile;
}

struct FoundRow {
  PatchRow row;
  Band band;
  std::vector<double> profile;
  CardSides sides;
  double card = std::nan("");  // tone just above and below the band
};

CardSides card_sides(const cv::Mat1f& tone, const Band& band) {
  const int reach = std::max(3, (band.to - band.from) / 6);
  const auto along = [&](int y) {
    return y < 0 || y >= tone.rows ? std::vector<double>() : profile_of(tone, y, y + 1);
  };
  return {along(band.from - 2 - reach), along(band.to + 2 + reach)};
}

double card_tone(const CardSides& sides) {
  std::vector<double> around;
  for (const auto* side : {&sides.above, &sides.below}) {
    for (const double v : *side) {
      if (!std::isnan(v)) around.push_back(v);
    }
  }
  return around.empty() ? std::nan("") : median(around);
}

std::optional<FoundRow> row_in(const cv::Mat1f& tone,
                               const Band& band,
                               const std::vector<double>& order) {
  const int inset = (band.to - band.from) / 6;
  FoundRow f;
  f.band = band;
  f.profile =
      profile_of(tone, band.from + inset, std::max(band.from + inset + 1, band.to - inset));
  f.sides = card_sides(tone, band);
  f.card = card_tone(f.sides);
  auto row = find_row(f.profile, order, f.card);
  if (!row) return std::nullopt;
  f.row = std::move(*row);
  return f;
}

// In a noisy scan the calm rows may be a strip of the patches only, with patches above and below it
// where the card is looked for: the band grows over all rows that show the same patches.
Band grown(const cv::Mat1f& tone, const FoundRow& f) {
  const double pitch = f.row.pitch;
  const auto first = static_cast<int>(std::max(0.0, f.row.start + 0.2 * pitch));
  const auto last = static_cast<int>(
      std::min(double(tone.cols), f.row.start + (f.row.n - 0.2) * pitch));
  const double middle = median(f.row.tone);
  const auto shows_it = [&](int y) {
    double missed = 0, all = 0;
    for (int x = first; x < last; ++x) {
      const double p = f.profile[static_cast<std::size_t>(x)];
      if (std::isnan(p) || std::isnan(tone(y, x))) continue;
      missed += std::abs(double(tone(y, x)) - p);
      all += std::abs(p - middle);
    }
    return all > 0 && missed < 0.25 * all;
  };
  Band band = f.band;
  while (band.from > 0 && shows_it(band.from - 1)) --band.from;
  while (band.to < tone.rows && shows_it(band.to)) ++band.to;
  return band;
}

std::vector<FoundRow> rows_in(const cv::Mat1f& tone, const std::vector<double>& order) {
  std::vector<FoundRow> found;
  for (const Band& b : bands(tone)) {
    auto f = row_in(tone, b, order);
    if (!f) continue;
    const Band whole = grown(tone, *f);
    if (whole.to - whole.from > b.to - b.from + 4) {
      f = row_in(tone, whole, order);
      if (!f) continue;
    }
    found.push_back(std::move(*f));
  }
  return found;
}

// The part of the profile about the patch's middle that is even, at most to its neighbours.
std::pair<double, double> extent(const FoundRow& f, int i) {
  const double centre = f.row.centre(i), tone = f.row.tone[static_cast<std::size_t>(i)];
  double step = 1e9;
  for (const int k : {i - 1, i + 1}) {
    if (k >= 0 && k < f.row.n) {
      step = std::min(step, std::abs(f.row.tone[static_cast<std::size_t>(k)] - tone));
    }
  }
  const double off = 0.3 * step;
  double low = centre, high = centre;
  const auto even = [&](double x) {
    const auto at = static_cast<std::ptrdiff_t>(std::lround(x));
    if (at < 0 || at >= static_cast<std::ptrdiff_t>(f.profile.size())) return false;
    const double v = f.profile[static_cast<std::size_t>(at)];
    return !std::isnan(v) && std::abs(v - tone) < off;
  };
  while (centre - low < 0.5 * f.row.pitch && even(low - 1)) low -= 1;
  while (high - centre < 0.5 * f.row.pitch && even(high + 1)) high += 1;
  return {low, high};
}

// Where patch i and the card on its two long sides are to be measured.
GreyReading place_of(const Turned& turned, const FoundRow& f, int i) {
  const auto [low, high] = extent(f, i);
  const auto on_scan = [&](double x0, double x1, double y0, double y1) {
    const auto point = [&](double x, double y) {
      const cv::Vec2d p = turned.scan_from * cv::Vec3d(x, y, 1);
      return cv::Point2d(p[0], p[1]);
    };
    return ScanQuad{point(x0, y0), point(x1, y0), point(x1, y1), point(x0, y1)};
  };
  const double height = f.band.to - f.band.from;
  const double trim_x = 0.18 * (high - low), trim_y = 0.2 * height;
  const double near = 3, deep = std::max(3.0, 0.2 * height);
  GreyReading r;
  r.corners_px =
      on_scan(low + trim_x, high - trim_x, f.band.from + trim_y, f.band.to - 1 - trim_y);
  r.card_px[0] = on_scan(low, high, f.band.from - near - deep, f.band.from - near);
  r.card_px[1] = on_scan(low, high, f.band.to + near, f.band.to + near + deep);
  return r;
}

// Falling numbers, for counting patches when the listed number does not fit.
std::vector<double> falling(int n) {
  std::vector<double> v(static_cast<std::size_t>(n));
  std::iota(v.begin(), v.end(), 0.0);
  return v;
}

// The number of patches that a row really has; 0 when no row is seen.
int count_patches(const std::vector<Turned>& ways, int listed) {
  for (int n = listed - 1; n >= 4; --n) {
    for (const Turned& t : ways) {
      for (const FoundRow& f : rows_in(t.tone, falling(n))) {
        return n + patches_beyond(f.profile, f.row, f.sides).patches;
      }
    }
  }
  return 0;
}

double share_at_white(const cv::Mat1f& codes) {
  return double(cv::countNonZero(codes >= 1 - 1e-6)) / double(codes.total());
}

std::unexpected<Problem> wrong_number(const std::string& name,
                                      std::size_t listed,
                                      int found,
                                      bool at_least = false) {
  return refuse(
      ProblemKind::data,
      fmt::format("{}: {} densities are listed but {}{} patches were found in the row",
                  name,
                  listed,
                  at_least ? "at least " : "",
                  found),
      "List one density for every patch, in the order in which they lie; cover with paper what is not "
      "to be read. If the list is right, two patches, or one and the card, look alike on the scan: switch "
      "off automatic contrast and exposure in the scanner.");
}

// The row holds the patches listed and no more, between them or beyond.
Result<void> check_whole(const FoundRow& f, const std::string& name) {
  const auto listed = static_cast<std::size_t>(f.row.n);
  const BeyondRow beyond = patches_beyond(f.profile, f.row, f.sides);
  const int between = patches_between(f.profile, f.row) * (f.row.n - 1);
  if (between > 0 || beyond.patches > 0) {
    return wrong_number(name, listed, f.row.n + between + beyond.patches, between > 0);
  }
  if (!beyond.unclear) return {};
  return refuse(ProblemKind::data,
                fmt::format("{}: beside the row of {} patches lies what may be one more: nothing of "
                            "the card is seen above and below it to tell",
                            name,
                            listed),
                "Scan the grey scale with 5 mm of its card, or of one even paper, on all sides.");
}

}  // namespace

Result<GreyRow> find_greys(const cv::Mat1f& codes,
                           const std::vector<double>& densities,
                           const std::string& name) {
  const double scale = std::max(1.0, std::max(codes.cols, codes.rows) / working_side);
  cv::Mat1f small;
  if (scale > 1) {
    cv::resize(codes, small, {}, 1 / scale, 1 / scale, cv::INTER_AREA);
  } else {
    small = codes.clone();
  }
  for (float& v : small) v = looking_tone(v);
  const double true_scale = double(codes.cols) / small.cols;
  const double angle = edge_angle(small);
  std::vector<Turned> ways;
  for (const double more : {0.0, 90.0}) ways.push_back(turn(small, true_scale, angle + more));

  const Turned* way = nullptr;
  std::optional<FoundRow> best;
  for (const Turned& t : ways) {
    for (FoundRow& f : rows_in(t.tone, densities)) {
      const bool better = !best || f.row.unrest / (f.band.to - f.band.from) <
                                       best->row.unrest / (best->band.to - best->band.from);
      if (!better) continue;
      best = std::move(f);
      way = &t;
    }
  }
  if (!best) {
    if (const double white = share_at_white(codes); white > 0.005) {
      return refuse(
          ProblemKind::data,
          fmt::format("{}: no row of {} patches was found; {:.0f} % of the scan is clipped at "
                      "the top of the scale",
                      name,
                      densities.size(),
                      100 * white),
          "Switch off automatic exposure and contrast in the scanner software and scan "
          "again.");
    }
    const int n = count_patches(ways, static_cast<int>(densities.size()));
    if (n > 0 && n != static_cast<int>(densities.size())) {
      return wrong_number(name, densities.size(), n);
    }
    return refuse(
        ProblemKind::data,
        fmt::format("{}: no row of {} even patches whose tones follow the listed densities "
                    "was found",
                    name,
                    densities.size()),
        "Scan the grey scale alone on its card, and list its densities in the order in "
        "which they lie.");
  }
  if (auto whole = check_whole(*best, name); !whole) return std::unexpected(whole.error());
  GreyRow found;
  found.card_like_a_patch = fits_with_card(best->profile, best->row, densities, best->card);
  for (int i = 0; i < best->row.n; ++i) found.patches.push_back(place_of(*way, *best, i));
  read_greys(codes, found.patches);
  if (best->row.reversed) std::reverse(found.patches.begin(), found.patches.end());
  return found;
}

}  // namespace rebite::scan
