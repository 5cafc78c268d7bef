// The JSON files that a printmaker may have edited: scanner curve, batch, edits by hand. A file
// that is taken is written again and read again: the second time it must say the same.
#include "jobs/plan_inputs.h"
#include "scan/scanner_curve.h"
#include "tests/fuzz/target.h"
#include "wedge/tone_curve.h"

using namespace rebite;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view text = fuzz::text_of(data, size);
  if (const auto curve = scan::scanner_curve_from_json(text, "x.scanner.json")) {
    const std::string once = scan::to_json(*curve);
    const auto again = scan::scanner_curve_from_json(once, "x.scanner.json");
    fuzz::must(again && scan::to_json(*again) == once, "a scanner curve survives being written");
    for (const double code : {0.0, 0.2, 0.9, 1.0}) {
      const double r = curve->reflectance_of(code);
      fuzz::must(r >= 0 && r < 2, "a reflectance is a number from 0 to about 1");
    }
  } else {
    fuzz::must_be_told(curve.error());
  }
  if (const auto batch = wedge::batch_from_json(text, "x.batch.json")) {
    const std::string once = wedge::to_json(*batch);
    const auto again = wedge::batch_from_json(once, "x.batch.json");
    fuzz::must(again && wedge::to_json(*again) == once, "a batch survives being written");
  } else {
    fuzz::must_be_told(batch.error());
  }
  if (const auto edits = jobs::edits_from_json(text, "x.json"); !edits) {
    fuzz::must_be_told(edits.error());
  }
  return 0;
}
