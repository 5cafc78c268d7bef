#include "scan/exif.h"

#include <cstddef>
#include <cstdint>

namespace rebite::scan {
namespace {

class Reader {
 public:
  Reader(std::string_view bytes, bool big) : bytes_(bytes), big_(big) {}
  bool holds(std::size_t at, std::size_t n) const {
    return at <= bytes_.size() && n <= bytes_.size() - at;
  }
  std::uint32_t number(std::size_t at, std::size_t n) const {
    std::uint32_t v = 0;
    for (std::size_t i = 0; i < n; ++i) {
      const std::size_t k = big_ ? at + i : at + n - 1 - i;
      v = v << 8 | static_cast<unsigned char>(bytes_[k]);
    }
    return v;
  }

 private:
  std::string_view bytes_;
  bool big_;
};

constexpr std::uint32_t short_type = 3, rational_type = 5;

double ratio_at(const Reader& in, std::size_t value_at) {
  const std::size_t at = in.number(value_at, 4);
  if (!in.holds(at, 8)) return 0;
  const double below = in.number(at + 4, 4);
  return below > 0 ? in.number(at, 4) / below : 0;
}

}  // namespace

std::optional<ExifFacts> read_exif(std::string_view block) {
  if (block.size() < 8) return std::nullopt;
  const bool big = block.substr(0, 2) == "MM";
  if (!big && block.substr(0, 2) != "II") return std::nullopt;
  const Reader in(block, big);
  if (in.number(2, 2) != 42) return std::nullopt;
  const std::size_t directory = in.number(4, 4);
  if (!in.holds(directory, 2)) return std::nullopt;
  const std::size_t entries = in.number(directory, 2);
  ExifFacts facts;
  double per_inch = 1;
  for (std::size_t i = 0; i < entries; ++i) {
    const std::size_t at = directory + 2 + 12 * i;
    if (!in.holds(at, 12)) break;
    const std::uint32_t tag = in.number(at, 2), type = in.number(at + 2, 2);
    if (tag == 0x0112 && type == short_type) {
      const std::uint32_t o = in.number(at + 8, 2);
      if (o >= 1 && o <= 8) facts.orientation = static_cast<int>(o);
    } else if (tag == 0x011a && type == rational_type) {
      facts.dpi_x = ratio_at(in, at + 8);
    } else if (tag == 0x011b && type == rational_type) {
      facts.dpi_y = ratio_at(in, at + 8);
    } else if (tag == 0x0128 && type == short_type) {
      const std::uint32_t unit = in.number(at + 8, 2);
      per_inch = unit == 3 ? 2.54 : unit == 2 ? 1 : 0;
    }
  }
  facts.dpi_x *= per_inch;
  facts.dpi_y *= per_inch;
  return facts;
}

}  // namespace rebite::scan
