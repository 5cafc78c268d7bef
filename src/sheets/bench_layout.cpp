#include "sheets/bench_layout.h"

#include <algorithm>

namespace rebite::sheets {
namespace {

constexpr double m = kPaperMargin;
constexpr double edge_words = 6;    // over the plate: corner mark and "top edge"
constexpr double rule_room = 14.5;  // under it: check rule and its words
constexpr double side_room = 74;    // column beside a wide plate

Layout upright_layout(PaperSize p, SizeMm plate, double head, double words) {
  Layout l{Shape::upright, p, {}, {m, m + 7, p.width - 2 * m, head}, {}, 0};
  l.frame = {plate, (p.width - plate.width) / 2, m + 7 + head + edge_words, 1, true};
  l.rule_y = l.frame.y + plate.height + 7.5;
  const double below = l.rule_y + rule_room - 7.5;
  l.words = {m, below, p.width - 2 * m, p.height - m - kFootRoom - below};
  if (l.words.height < words || plate.width > p.width - 2 * m) l.shape = Shape::tiled;
  return l;
}

Layout beside_layout(PaperSize p, SizeMm plate) {
  Layout l{Shape::beside, p, {}, {}, {}, 0};
  l.frame = {plate, m, m + 7 + edge_words, 1, true};
  const double x = m + plate.width + 8;
  l.head = {x, m + 7, p.width - m - x, 52};
  l.rule_y = l.frame.y + plate.height + 7.5;
  // A rule longer than the plate runs on under the column.
  const double bottom = m + 100 > x ? l.rule_y - 6 : p.height - m - kFootRoom;
  l.words = {x, m + 62, p.width - m - x, bottom - m - 62};
  if (l.head.width < side_room - 8 || l.rule_y + 5 > p.height - m - kFootRoom)
    l.shape = Shape::tiled;
  return l;
}

}  // namespace

PaperSize turned(PaperSize p) { return {p.height, p.width}; }

// Tiled: the sketch goes onto an upright page.
Layout layout_for(PaperSize p, SizeMm plate, const LayoutNeeds& needs) {
  const auto [head, wide_head, words, sketch_words] = needs;
  Layout l = upright_layout(p, plate, head, words);
  if (l.shape != Shape::tiled) return l;
  for (const PaperSize paper : {turned(p), p}) {
    l = beside_layout(paper, plate);
    if (l.shape != Shape::tiled) return l;
  }
  l = upright_layout(turned(p), plate, wide_head, words / 2);
  if (l.shape != Shape::tiled) {
    l.shape = Shape::wide;
    return l;
  }
  const double room_w = p.width - 2 * m - 8;
  const double room_h =
      p.height - 2 * m - 7 - head - edge_words - rule_room - kFootRoom - sketch_words;
  const double scale = std::min(room_w / plate.width, room_h / plate.height);
  l = upright_layout(p, {plate.width * scale, plate.height * scale}, head, 0);
  l.shape = Shape::tiled;
  l.frame.plate = plate;
  l.frame.scale = scale;
  return l;
}

}  // namespace rebite::sheets
