// Renders the small studio of the fault tests once, at build time: grey scale, wedge, proof,
// drawing, and the drawing of another plate. Usage: make_material FOLDER
#include <cstdio>
#include <exception>
#include <filesystem>

#include "tests/support/plate_maker.h"

int main(int argc, char** argv) try {
  using namespace rebite;
  using namespace rebite::maker;
  if (argc != 2) return 64;
  const std::filesystem::path folder = argv[1];
  std::filesystem::create_directories(folder);
  const SizeMm plate{40, 30};

  Scanner scanner;
  scanner.dpi = 200;
  scanner.bits = 8;
  scanner.channels = 1;
  Impression impression;
  impression.margin_mm = 10;

  scanner.seed = 1;
  write_scan(grey_scale({0.07, 0.30, 0.62, 1.00, 1.42, 1.65}, {6, 8}, scanner),
             folder / "greys.tif");

  const Scene scene = make_scene(5, plate);
  WedgeSpec wedge;
  wedge.minutes = {0, 0.5, 1, 2, 4, 8, 16};
  wedge.step = {12, 20};
  wedge.border_mm = 5;
  wedge.curve = scene.plate.curve;
  write_scan(print_wedge(wedge, impression, scanner), folder / "wedge.tif");
  scanner.seed = 2;
  write_scan(print_proof(scene.plate, impression, scanner), folder / "proof.tif");
  impression.seed = scanner.seed = 3;
  write_scan(reworked_proof(scene.plate, impression, scene.rework, scanner),
             folder / "drawing.tif");
  const Scene other = make_scene(77, plate);
  write_scan(reworked_proof(other.plate, impression, other.rework, scanner), folder / "other.tif");
  return 0;
} catch (const std::exception& e) {
  std::fprintf(stderr, "make_material: %s\n", e.what());
  return 70;
}
