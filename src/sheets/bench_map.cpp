// bench-map.pdf: the plan as paper beside a sink. Order of the pages: before the bath; one page per
// stage; by hand (where something is); the transfer sheet if asked for; the print view. All 1:1 and
// in plate view but the last.
#include <fmt/format.h>

#include <algorithm>

#include "sheets/bench_layout.h"
#include "sheets/bench_words.h"
#include "sheets/sheets.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

constexpr double m = kPaperMargin;
constexpr const char* kOnMetal = "PLATE VIEW: the metal as it lies before you";

// Numbers on paper, in mm of the letters' em: 6 where there is room, never below 1.05.
constexpr LabelOptions numbers{6, 2.1, 3, 0.35, 0.696, 0.729};

// The words in the first of these letter sizes in which all of them fit; else in the last.
TextFlow largest_flow(const std::vector<TextBlock>& words,
                      const Area& area,
                      int columns,
                      const std::vector<double>& sizes) {
  for (const double size : sizes) {
    TextFlow flow(words, size);
    if (flow.fits(area, columns)) return flow;
  }
  return {words, sizes.back()};
}

class BenchMap {
 public:
  BenchMap(const SheetContent& c, const BenchMapOptions& o)
      : c_(c),
        o_(o),
        paper_(o.paper == Paper::a4 ? PaperSize{210, 297} : PaperSize{215.9, 279.4}),
        drawing_(plate_drawing(c, numbers)),
        pdf_("Bench map: " + c.title, c.made_on, o.printer_across, o.printer_down) {}

  std::string bytes() {
    first_page();
    for (std::size_t s = 0; s < c_.plan.stages.size(); ++s) stage_page(s);
    by_hand_page();
    if (o_.transfer_sheet) transfer_page();
    print_view_page();
    return pdf_.bytes();
  }

 private:
  void foot(cairo_t* cr, PaperSize p) { draw_page_foot(cr, p, c_, o_, ++page_); }

  void rules(cairo_t* cr, const Layout& l) const {
    const double left = std::clamp(l.frame.x, m, l.paper.width - m - 100);
    draw_check_rule(cr, left, l.rule_y);
    if (l.frame.x - m > 14 && l.frame.height() > 101 && l.shape != Shape::tiled)
      draw_check_rule_upright(cr, l.frame.x - 8, l.frame.y);
  }

  // The plate itself at 1:1, or the sketch with its tiles.
  void plate(cairo_t* cr,
             const Layout& l,
             const PaintPlate& paint,
             const std::vector<std::size_t>& used) {
    if (l.shape != Shape::tiled) {
      paint(cr, l.frame, drawing_);
      draw_plate_edge(cr, l.frame);
      return;
    }
    paint(cr, l.frame, sketch(l));
    draw_plate_edge(cr, l.frame, false);
    draw_tile_key(cr, l.frame, tiles());
    draw_text(cr,
              l.frame.x + l.frame.width() / 2,
              l.frame.y - 1.4,
              fmt::format("sketch 1 : {:.1f} · ", 1 / l.frame.scale) + tile_names(used),
              {3.2, true, Align::centre, kBlack, 0});
  }

  // The drawing with numbers large enough for a reduced picture.
  const PlateDrawing& sketch(const Layout& l) {
    if (!sketch_) {
      const double k = l.frame.scale;
      sketch_ = PlateDrawing{drawing_.outlines,
                             number_places(c_, {4.5 / k, 2.2 / k, 3 / k, 0.4 / k, 0.696, 0.729})};
    }
    return *sketch_;
  }

  std::string tile_names(const std::vector<std::size_t>& used) const {
    const auto all = tiles();
    if (used.size() == all.size()) return "tiles 1 : 1 follow";
    std::string names;
    for (const std::size_t i : used) names += " " + all[i].name;
    return "tiles 1 : 1 with something to do:" + names;
  }

  // Tiles that hold one of the regions for which `wanted` is true.
  std::vector<std::size_t> tiles_with(const std::function<bool(int)>& wanted) {
    prepare_tiles();
    std::vector<std::size_t> out;
    for (std::size_t i = 0; i < tile_contents_.size(); ++i) {
      const auto& ids = tile_contents_[i].ids;
      if (std::any_of(ids.begin(), ids.end(), wanted)) out.push_back(i);
    }
    return out;
  }

  void prepare_tiles() {
    if (!tile_contents_.empty()) return;
    for (const Tile& t : tiles()) tile_contents_.push_back(tile_content(c_, t, numbers));
  }

  std::vector<Tile> tiles() const {
    const auto a = tiles_for(c_.plate, paper_.width - 2 * m, paper_.height - 2 * m - 26);
    const auto b = tiles_for(c_.plate, paper_.height - 2 * m, paper_.width - 2 * m - 26);
    return b.size() < a.size() ? b : a;
  }

  void tile_pages(const std::string& head,
                  const std::vector<std::size_t>& used,
                  const PaintPlate& paint) {
    const auto all = tiles();
    prepare_tiles();
    constexpr double room = 3;  // mm round what shows: wider than any line
    for (const std::size_t i : used) {
      const Tile& t = all[i];
      const PlateMm corner = print_view({t.window.x + t.window.width, t.window.y}, c_.plate);
      const PlateDrawing drawing{
          cut_to_box(drawing_.outlines,
                     {corner.x - room, corner.y - room},
                     {corner.x + t.window.width + room, corner.y + t.window.height + room}),
          tile_contents_[i].places};
      const bool fits = t.window.width <= paper_.width - 2 * m + 1e-9 &&
                        t.window.height <= paper_.height - 2 * m - 26 + 1e-9;
      const PaperSize p = fits ? paper_ : turned(paper_);
      pdf_.page(p.width, p.height, [&](cairo_t* cr) {
        draw_text(cr, p.width - m, m + 6, t.name, {9, true, Align::right, kBlack, 0});
        draw_fitting(cr, m, m + 5.5, p.width - 2 * m - 26, head, 7);
        // Beside the joining cross.
        const double words_at = (p.width - t.window.width) / 2 + 6;
        draw_text(cr,
                  words_at,
                  m + 10.5,
                  std::string("↑ top edge · ") + kOnMetal,
                  {3.6, true, Align::left, kBlack, 0});
        PlateFrame f{c_.plate, 0, 0, 1, true};
        draw_tile(cr,
                  t,
                  all,
                  (p.width - t.window.width) / 2,
                  m + 12,
                  f,
                  drawing,
                  [&](cairo_t* on, const PlateFrame& at, const PlateDrawing& what) {
                    paint(on, at, what);
                    draw_plate_edge(on, at, false);
                  });
        draw_check_rule(cr, m, p.height - m - 9);
        foot(cr, p);
      });
    }
  }

  // Where the words of a page without large lines go, and in how many columns.
  static std::pair<Area, int> words_area(const Layout& l) {
    if (l.shape != Shape::beside) return {l.words, l.shape == Shape::wide ? 3 : 2};
    const double top = l.head.y + 12;
    return {{l.words.x, top, l.words.width, l.words.y + l.words.height - top}, 1};
  }

  // The tiles that hold one of these regions; empty unless the plate is tiled.
  std::vector<std::size_t> tiles_of(const Layout& l, const std::vector<int>& ids) {
    if (l.shape != Shape::tiled) return {};
    return tiles_with([&](int id) { return std::find(ids.begin(), ids.end(), id) != ids.end(); });
  }

  // A page about some zones: the plate with them, words that may run on, the zones' tiles.
  void zones_page(const std::string& head,
                  const std::string& tile_head,
                  const std::vector<int>& zones,
                  const std::vector<TextBlock>& core,
                  const std::vector<TextBlock>& rest) {
    const Layout l = layout_for(paper_, c_.plate, {});
    const auto [words, columns] = words_area(l);
    // What must be done goes onto this page if it can; the rest may run on.
    std::vector<TextBlock> all = core;
    all.insert(all.end(), rest.begin(), rest.end());
    TextFlow flow = largest_flow(all, words, columns, {4.4, 4.0, 3.7, 3.4, 3.1});
    if (!flow.fits(words, columns))
      flow = TextFlow(all, largest_flow(core, words, columns, {4.0, 3.7, 3.4}).size());
    const std::vector<std::size_t> used = tiles_of(l, zones);
    const PaintPlate paint = [&](cairo_t* cr, const PlateFrame& f, const PlateDrawing& d) {
      draw_zones_plate(cr, f, c_, d, zones);
    };
    pdf_.page(l.paper.width, l.paper.height, [&](cairo_t* cr) {
      draw_page_head(cr, l.paper, kOnMetal, c_.title);
      draw_fitting(cr, l.head.x, l.head.y + 9, l.head.width, head, 11);
      plate(cr, l, paint, used);
      rules(cr, l);
      flow.fill(cr, words, columns);
      foot(cr, l.paper);
    });
    while (!flow.done()) {
      pdf_.page(paper_.width, paper_.height, [&](cairo_t* cr) {
        draw_page_head(cr, paper_, head + ", continued · plate view", c_.title);
        flow.fill(cr, {m, m + 8, paper_.width - 2 * m, paper_.height - 2 * m - 30}, 2);
        draw_check_rule(cr, m, paper_.height - m - 9);
        foot(cr, paper_);
      });
    }
    tile_pages(tile_head, used, paint);
  }

  void first_page() {
    std::vector<int> zones;
    for (const auto* r : to_lower(c_)) zones.push_back(r->region.id);
    zones_page("BEFORE THE BATH",
               c_.plan.ground == plan::Ground::fresh ? "LOWER FIRST" : "LOWER AFTERWARDS",
               zones,
               first_page_words(c_),
               note_words(c_));
  }

  void by_hand_page() {
    std::vector<int> zones;
    for (const auto* r : by_hand(c_)) zones.push_back(r->region.id);
    if (!zones.empty()) zones_page("BY HAND", "BY HAND", zones, by_hand_words(c_), {});
  }

  void stage_head(cairo_t* cr, const Layout& l, const plan::Stage& s) const {
    const std::string stage = stage_heading(s, c_.plan.stages.size());
    const Area& h = l.head;
    if (l.shape == Shape::wide) {
      draw_fitting(cr, h.x, h.y + 13, h.width, stage + " · " + dip_text(s), 17);
    } else if (l.shape == Shape::beside) {
      draw_fitting(cr, h.x, h.y + 13, h.width, stage, 16);
      draw_fitting(cr, h.x, h.y + 29, h.width, "dip " + clock_text(s.dip), 18);
      draw_fitting(cr, h.x, h.y + 45, h.width, "total " + clock_text(s.total), 18);
    } else {
      draw_fitting(cr, h.x, h.y + 13, h.width, stage, 17);
      draw_fitting(cr, h.x, h.y + 29, h.width, dip_text(s), 17);
    }
  }

  void stage_page(std::size_t index) {
    const plan::Stage& s = c_.plan.stages[index];
    const Layout l = layout_for(paper_, c_.plate, {33, 17, 50, 60});
    const PaintPlate paint = [&](cairo_t* cr, const PlateFrame& f, const PlateDrawing& d) {
      draw_stage_plate(cr, f, c_, d, index);
    };
    const std::vector<std::size_t> used =
        l.shape == Shape::tiled
            ? tiles_with([&](int id) { return stop_out(c_, index, id) == StopOut::now; })
            : std::vector<std::size_t>{};
    pdf_.page(l.paper.width, l.paper.height, [&](cairo_t* cr) {
      draw_page_head(cr, l.paper, kOnMetal, c_.title);
      stage_head(cr, l, s);
      plate(cr, l, paint, used);
      rules(cr, l);
      Area words = l.words;
      const bool beside = l.shape == Shape::beside;
      if (beside) {
        draw_stage_key(cr, words.x, words.y + 5, words.width, true);
        words.y += 25;
        words.height -= 25;
      } else {
        draw_stage_key(cr, words.x, words.y + 5, words.width, false);
        words.y += 8;
        words.height -= 8;
      }
      const int columns = l.shape == Shape::wide ? 2 : 1;
      TextFlow flow =
          largest_flow(stage_words(c_, index, 0), words, columns, {6.6, 5.8, 5.2, 4.6, 4.2, 3.8});
      if (!flow.fits(words, columns))
        flow = largest_flow(stage_words(c_, index, 12), words, columns, {5.2, 4.6, 4.2, 3.8, 3.4});
      flow.fill(cr, words, columns);
      foot(cr, l.paper);
    });
    tile_pages(stage_heading(s, c_.plan.stages.size()) + " · " + dip_text(s), used, paint);
  }

  void transfer_page() {
    const Layout l = layout_for(paper_, c_.plate, {11, 11, 12, 12});
    const PaintPlate paint = [&](cairo_t* cr, const PlateFrame& f, const PlateDrawing& d) {
      draw_transfer_plate(cr, f, c_, d);
    };
    if (l.shape == Shape::tiled) {
      tile_pages("TRANSFER SHEET", tiles_with([](int id) { return id != 0; }), paint);
      return;
    }
    pdf_.page(l.paper.width, l.paper.height, [&](cairo_t* cr) {
      draw_page_head(cr, l.paper, kOnMetal, c_.title);
      draw_fitting(cr, l.head.x, l.head.y + 9, l.head.width, "TRANSFER SHEET", 11);
      plate(cr, l, paint, {});
      rules(cr, l);
      foot(cr, l.paper);
    });
  }

  void print_view_page() {
    Layout l = layout_for(paper_, c_.plate, {});
    l.frame.plate_view = false;
    const MapLook look{0.35, 1.05, 2, 0.28, true, false};
    pdf_.page(l.paper.width, l.paper.height, [&](cairo_t* cr) {
      draw_page_head(cr, l.paper, "PRINT VIEW: as the proof shows it, for checking", c_.title);
      draw_fitting(cr, l.head.x, l.head.y + 9, l.head.width, "PRINT VIEW", 11);
      draw_region_map(cr, l.frame, c_, l.shape == Shape::tiled ? sketch(l) : drawing_, look);
      draw_plate_edge(cr, l.frame, l.shape != Shape::tiled);
      if (l.shape == Shape::tiled) {
        draw_text(cr,
                  l.frame.x + l.frame.width() / 2,
                  l.frame.y - 1.4,
                  fmt::format("reduced, 1 : {:.1f} · print view", 1 / l.frame.scale),
                  {3.2, true, Align::centre, kBlack, 0});
      }
      rules(cr, l);
      const bool beside = l.shape == Shape::beside;
      draw_legend(cr,
                  beside ? Area{l.words.x, l.head.y + 14, l.words.width, l.paper.height} : l.words,
                  beside ? 1 : 2,
                  legend(c_),
                  look);
      foot(cr, l.paper);
    });
  }

  const SheetContent& c_;
  BenchMapOptions o_;
  PaperSize paper_;
  PlateDrawing drawing_;
  PdfPages pdf_;
  std::optional<PlateDrawing> sketch_;
  std::vector<TileContent> tile_contents_;  // as tiles()
  int page_ = 0;
};

}  // namespace

std::string bench_map_pdf(const SheetContent& c, const BenchMapOptions& o) {
  return BenchMap(c, o).bytes();
}

}  // namespace rebite::sheets
