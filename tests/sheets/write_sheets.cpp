// Writes the sheets of the made content into a folder, to be looked at:
//   build/sheets/tests/sheets/write_sheets FOLDER
#include <filesystem>
#include <fstream>
#include <iostream>

#include "sheets/plots.h"
#include "sheets/sheets.h"
#include "tests/sheets/made_content.h"

namespace {

using rebite::sheets::SheetContent;

void write(const std::filesystem::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary) << bytes;
  std::cout << file.string() << " " << bytes.size() << "\n";
}

void write_all(const std::filesystem::path& folder,
               const std::string& name,
               const SheetContent& c) {
  using namespace rebite::sheets;
  write(folder / (name + ".plan.json"), plan_json(c));
  write(folder / (name + ".map.png"), map_png(c));
  write(folder / (name + ".map.svg"), map_svg(c));
  write(folder / (name + ".bench.pdf"), bench_map_pdf(c));
  write(folder / (name + ".letter.pdf"), bench_map_pdf(c, {Paper::letter, true}));
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) return 64;
  const std::filesystem::path folder(argv[1]);
  std::filesystem::create_directories(folder);
  namespace maker = rebite::maker;
  using namespace rebite::sheets;
  write(folder / "tone.png", tone_curve_plot(maker::made_batch(), PlotForm::png));
  write(folder / "tone.svg", tone_curve_plot(maker::made_batch(), PlotForm::svg));
  write(folder / "scanner.png", scanner_plot(maker::made_scanner(), PlotForm::png));
  write(folder / "scanner-colour.png", scanner_plot(maker::made_colour_scanner(), PlotForm::png));
  write_all(folder, "lock", maker::made_content());
  write_all(folder, "one", maker::made_one_region());
  write_all(folder, "none", maker::made_no_work());
  write_all(folder, "large", maker::made_large_plate());
  write_all(folder, "many", maker::made_many_regions());
  write_all(folder, "unwedged", maker::without_batch(maker::made_content()));
}
