// TIFF as it comes from anywhere.
#include "tests/fuzz/picture.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  rebite::fuzz::load_picture(rebite::fuzz::text_of(data, size), ".tif");
  return 0;
}
