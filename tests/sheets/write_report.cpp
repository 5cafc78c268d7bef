// Writes report.html, plan.json and, for the browser test, what the content says at some places
// (read from the matrices, not from the report) into a folder:
//   write_report FOLDER [lock|one|many|none|large|unknown|hostile] [in]
#include <fstream>
#include <iostream>
#include <nlohmann/json.hpp>

#include "sheets/sheets.h"
#include "tests/sheets/made_content.h"

namespace {

using rebite::sheets::SheetContent;

SheetContent content_named(const std::string& name) {
  rebite::maker::ContentOptions fine;
  fine.picture_px_per_mm = 300 / 25.4;
  if (name == "one") return rebite::maker::made_one_region();
  if (name == "many") return rebite::maker::made_many_regions();
  if (name == "none") return rebite::maker::made_no_work();
  if (name == "large") {
    rebite::maker::ContentOptions o;
    o.plate = {600, 400};
    o.grid_px_per_mm = 2;
    o.picture_px_per_mm = 300 / 25.4;
    return rebite::maker::made_content(o);
  }
  if (name == "unknown") return rebite::maker::without_batch(rebite::maker::made_content());
  SheetContent c = rebite::maker::made_content(fine);
  if (name == "hostile") {
    c.title = "</title><script>document.title='broken'</script>\"'&";
    c.proof_file = "<img src=x onerror=document.title='broken'>.tif";
    c.plan.notes.push_back("</script><script>document.title='broken'</script>");
    c.plan.regions.front().notes.push_back("<b onclick=x>note</b>");
  }
  return c;
}

nlohmann::ordered_json places(const SheetContent& c) {
  nlohmann::ordered_json out = nlohmann::ordered_json::array();
  for (int i = 0; i < 25; ++i) {
    const double x = c.plate.width * (0.1 + 0.2 * (i % 5)),
                 y = c.plate.height * (0.1 + 0.2 * (i / 5));
    const int col = static_cast<int>(x * c.map.grid.px_per_mm);
    const int row = static_cast<int>(y * c.map.grid.px_per_mm);
    out.push_back({{"x_mm", x},
                   {"y_mm", y},
                   {"region", c.map.labels(row, col)},
                   {"now", c.map.now(row, col)},
                   {"target", c.map.target(row, col)}});
  }
  return out;
}

void write(const std::string& file, const std::string& bytes) {
  std::ofstream out(file, std::ios::binary);
  out << bytes;
  if (!out.flush()) throw std::runtime_error("cannot write " + file);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2) {
    std::cerr << "write_report FOLDER [lock|one|many|none|large|unknown|hostile] [in]\n";
    return 64;
  }
  const std::string folder = argv[1];
  SheetContent c = content_named(argc > 2 ? argv[2] : "lock");
  if (argc > 3) {
    c.units = rebite::sheets::Units::inches;
    c.fahrenheit = true;
  }
  write(folder + "/report.html", rebite::sheets::report_html(c));
  write(folder + "/plan.json", rebite::sheets::plan_json(c));
  write(folder + "/places.json", places(c).dump(1));
  return 0;
}
