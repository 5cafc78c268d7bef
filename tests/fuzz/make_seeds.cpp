// Writes the seeds that are pictures: small good files of every kind that is read. Run by hand when
// a format is added: make_fuzz_seeds tests/fuzz/seeds
#include <filesystem>

#include "tests/scan/made_files.h"

int main(int argc, char** argv) {
  using namespace rebite;
  namespace fs = std::filesystem;
  if (argc != 2) return 64;
  const fs::path seeds = argv[1];
  for (const char* name : {"tiff", "png_jpeg"}) fs::create_directories(seeds / name);
  scan::made::Picture p;
  p.width = 24;
  p.height = 18;
  p.bits = 8;
  write_tiff(seeds / "tiff/grey8.tif", p, {});
  write_tiff(seeds / "tiff/lzw.tif", p, {.compression = 5, .predictor = 2});
  p.channels = 3;
  write_tiff(seeds / "tiff/deflate.tif", p, {.compression = 8, .orientation = 6});
  write_png(seeds / "png_jpeg/rgb8.png", p, {.gamma = 0.45455, .exif_orientation = 8});
  write_jpeg(seeds / "png_jpeg/exif.jpg", p, {.exif_orientation = 3, .exif_dpi = 300});
  write_jpeg(seeds / "png_jpeg/progressive.jpg", p, {.progressive = true});
  p.bits = 16;
  write_tiff(seeds / "tiff/big.tif", p, {.big_endian = true, .big_tiff = true, .planar = true});
  p.channels = 1;
  write_tiff(seeds / "tiff/tiles.tif", p, {.tiles = true, .compression = 32773});
  write_png(seeds / "png_jpeg/grey16.png", p, {.interlaced = true, .alpha = 1});
  return 0;
}
