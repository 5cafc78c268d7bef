// What the two picture targets share: load and check what comes out.
#pragma once

#include "scan/load.h"
#include "tests/fuzz/target.h"

namespace rebite::fuzz {

inline void load_picture(std::string_view bytes, const char* ending) {
  scan::LoadOptions options;
  options.dpi = 300;
  options.max_megapixels = 4;  // the fuzzer's time goes into odd headers, not into large pictures
  const auto loaded = scan::load(as_file(bytes, ending), options);
  if (!loaded) return must_be_told(loaded.error());
  must(
      loaded->values.cols == loaded->info.width_px && loaded->values.rows == loaded->info.height_px,
      "the picture is as large as it says");
  for (int y = 0; y < loaded->values.rows; ++y) {
    for (int x = 0; x < loaded->values.cols; ++x) {
      const float v = loaded->values(y, x);
      must(v >= 0 && v < 2, "a reflectance is a number from 0 to about 1");
    }
  }
}

}  // namespace rebite::fuzz
