#include "jobs/tile_pyramid.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "align/plate_pair.h"
#include "files/put_whole.h"
#include "jobs/guard.h"
#include "jobs/pictures.h"
#include "scan/load.h"
#include "scan/write_scan.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {

constexpr int tile_px = 512;
constexpr int whole_px = 1600;  // the level that is seen at once
constexpr int quality = 82;
constexpr int step =
    16;  // the place on the scan is worked out at every 16th pixel, between is even

Result<void> write_tiles(
    const cv::Mat1f& strip, const TileLevel& level, int at, int row, const fs::path& folder) {
  const cv::Mat1b grey = as_grey(strip);
  for (int col = 0; col < level.columns(); ++col) {
    const int x = col * level.tile;
    const cv::Rect part(x, 0, std::min(level.tile, level.width - x), grey.rows);
    const auto bytes = scan::jpeg_bytes(grey(part), quality);
    if (auto ok = files::write_unpublished(tile_file(folder, at, col, row), bytes); !ok) return ok;
  }
  return {};
}

// Rows [first, first + count) of a level, straight from the scan.
cv::Mat1f strip_of(
    const cv::Mat1f& scan, const PlateToScan& place, const TileLevel& level, int first, int count) {
  const int cols = (level.width + step - 1) / step + 1, rows = (count + step - 1) / step + 1;
  cv::Mat2f knots(rows, cols);
  cv::parallel_for_(cv::Range(0, rows), [&](const cv::Range& range) {
    for (int r = range.start; r < range.end; ++r) {
      for (int c = 0; c < cols; ++c) {
        const PlateMm mm{(c * step + 0.5) / level.px_per_mm,
                         (first + r * step + 0.5) / level.px_per_mm};
        const cv::Point2d px = place(mm);
        knots(r, c) = {static_cast<float>(px.x), static_cast<float>(px.y)};
      }
    }
  });
  // The part of the scan that the strip shows: cv::remap takes no sides over 32,767 px.
  std::vector<cv::Mat1f> xy;
  cv::split(knots, xy);
  double x0 = 0, x1 = 0, y0 = 0, y1 = 0;
  cv::minMaxLoc(xy[0], &x0, &x1);
  cv::minMaxLoc(xy[1], &y0, &y1);
  cv::Mat1f out(count, level.width, std::numeric_limits<float>::quiet_NaN());
  if (!std::isfinite(x0 + x1 + y0 + y1)) return out;
  const auto clamped = [](double v, int most) {
    return static_cast<int>(std::clamp(v, 0.0, static_cast<double>(most)));
  };
  const cv::Point from(clamped(x0 - 2, scan.cols), clamped(y0 - 2, scan.rows));
  const cv::Point to(clamped(x1 + 3, scan.cols), clamped(y1 + 3, scan.rows));
  const cv::Rect window(from, to);
  if (window.width < 1 || window.height < 1 || window.width > 32000 || window.height > 32000) {
    return out;
  }
  cv::Mat2f places(count, level.width);
  for (int y = 0; y < count; ++y) {
    const int r = y / step;
    const float v = static_cast<float>(y % step) / step;
    for (int x = 0; x < level.width; ++x) {
      const int c = x / step;
      const float u = static_cast<float>(x % step) / step;
      const cv::Vec2f top = knots(r, c) * (1 - u) + knots(r, c + 1) * u;
      const cv::Vec2f low = knots(r + 1, c) * (1 - u) + knots(r + 1, c + 1) * u;
      places(y, x) = top * (1 - v) + low * v -
                     cv::Vec2f(static_cast<float>(from.x), static_cast<float>(from.y));
    }
  }
  cv::remap(scan(window),
            out,
            places,
            cv::noArray(),
            cv::INTER_LINEAR,
            cv::BORDER_CONSTANT,
            cv::Scalar(std::numeric_limits<double>::quiet_NaN()));
  return out;
}

cv::Mat1f halved(const cv::Mat1f& picture, cv::Size size) {
  cv::Mat1f out;
  cv::resize(picture, out, size, 0, 0, cv::INTER_AREA);
  return out;
}

}  // namespace

std::vector<TileLevel> tile_levels(SizeMm plate, double px_per_mm) {
  std::vector<TileLevel> levels;
  for (double scale = px_per_mm;; scale /= 2) {
    const align::PlateGrid grid{plate, scale};
    TileLevel level{scale, grid.cols(), grid.rows(), tile_px};
    const int side = std::max(level.width, level.height);
    if (side <= whole_px) level.tile = side;
    levels.insert(levels.begin(), level);
    if (side <= whole_px) return levels;
  }
}

fs::path tile_file(const fs::path& folder, int level, int col, int row) {
  return folder / fmt::format("{}", level) / fmt::format("{}_{}.jpg", col, row);
}

Result<void> write_pyramid(const cv::Mat1f& scan,
                           const PlateToScan& place,
                           const std::vector<TileLevel>& levels,
                           const fs::path& folder,
                           const Progress& progress) {
  for (std::size_t k = 0; k < levels.size(); ++k) {
    if (auto ok = files::make_folders(folder / fmt::format("{}", k)); !ok) return ok;
  }
  const int finest = static_cast<int>(levels.size()) - 1;
  const TileLevel& fine = levels.back();
  cv::Mat1f half;
  if (finest > 0) half.create(levels[levels.size() - 2].height, levels[levels.size() - 2].width);
  for (int row = 0; row < fine.rows(); ++row) {
    if (progress.stopped()) return stopped_by_user();
    progress.at(static_cast<double>(row) / fine.rows(), "making the pictures");
    const int first = row * fine.tile;
    const int count = std::min(fine.tile, fine.height - first);
    const cv::Mat1f strip = strip_of(scan, place, fine, first, count);
    if (auto ok = write_tiles(strip, fine, finest, row, folder); !ok) return ok;
    if (finest == 0) continue;
    const int top = std::min(half.rows, first / 2);
    const int end = row + 1 == fine.rows() ? half.rows : std::min(half.rows, (first + count) / 2);
    if (end > top) halved(strip, {half.cols, end - top}).copyTo(half.rowRange(top, end));
  }
  for (int k = finest - 1; k >= 0; --k) {
    const TileLevel& level = levels[static_cast<std::size_t>(k)];
    if (half.cols != level.width || half.rows != level.height) {
      half = halved(half, {level.width, level.height});
    }
    for (int row = 0; row < level.rows(); ++row) {
      const int y = row * level.tile;
      const cv::Mat1f strip = half.rowRange(y, std::min(level.height, y + level.tile));
      if (auto ok = write_tiles(strip, level, k, row, folder); !ok) return ok;
    }
  }
  return {};
}

cv::Mat1b read_tile(const fs::path& folder, int level, int col, int row) {
  scan::LoadOptions options;
  options.resolution_needed = false;
  options.way = scan::ToneWay::codes;
  const auto loaded = scan::load(tile_file(folder, level, col, row), options);
  if (!loaded) return {};
  cv::Mat1b codes;
  loaded->values.convertTo(codes, CV_8U, 255);
  return codes;
}

}  // namespace rebite::jobs
