// PNG and JPEG with the ICC profiles inside them; the first bytes say which it is.
#include "tests/fuzz/picture.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  rebite::fuzz::load_picture(rebite::fuzz::text_of(data, size), ".scan");
  return 0;
}
