// What every errand reads: scans with their scanner curve, batch files; and what none may do:
// write over an input.
#pragma once

#include <filesystem>
#include <optional>
#include <string_view>
#include <vector>

#include "scan/read_scan.h"
#include "wedge/tone_curve.h"

namespace rebite::jobs {

// How the scans of an errand are to be read.
struct ScanChoice {
  std::filesystem::path scanner;  // NAME.scanner.json; empty: profile or sRGB
  std::filesystem::path blank;    // scan of a blank sheet; empty: none
  bool other_scanner = false;     // read otherwise than the wedge was, and that is meant
  double dpi = 0;                 // 0: as tagged
  bool resolution_needed = true;
  bool relative_to_paper = true;
};

// Reads with the choice above; adds a note when the scanner curve was measured at another bit depth
// or profile than this scan has.
Result<scan::DensityImage> load_scan(const std::filesystem::path& file,
                                     const ScanChoice&,
                                     const Progress& = {});
// Two scans at once, on two threads.
Result<std::pair<scan::DensityImage, scan::DensityImage>> load_pair(
    const std::filesystem::path& proof,
    const std::filesystem::path& drawing,
    const ScanChoice&,
    const Progress& = {});
Result<std::optional<scan::ScannerCurve>> load_scanner(const std::filesystem::path& file);
// Batch, scanner curve and edits take some ten thousand bytes; parsed, a file takes twenty times its
// length of memory.
inline constexpr std::size_t most_json_bytes = std::size_t{4} << 20;
Result<wedge::Batch> load_batch(const std::filesystem::path& file);

// The notes of one scan with "Proof: " or whatever it is in front.
Notes said_of(std::string_view what, Notes notes);

// Refuses (usage) the same scan given twice, under one name or as a copy; `next` tells what to do.
Result<void> each_scan_once(const std::vector<std::filesystem::path>& scans, std::string_view next);

// Refuses (usage) what is no day as 2026-05-04; empty passes. `what_happened` on it is for the advice.
Result<void> check_day(const std::string& day, std::string_view what_happened);

// A name's ending in small letters, with its dot: whoever types CURVE.PNG means a PNG.
std::string ending_of(const std::filesystem::path& file);

// Refuses (usage) an output that is one of the inputs.
Result<void> output_is_no_input(const std::filesystem::path& output,
                                const std::vector<std::filesystem::path>& inputs);
// Refuses (cannot_create), before the work, an output whose folder is missing or may not be written,
// and a file that is not replaced by one that begins with `start` (files::may_replace).
Result<void> output_can_be_written(const std::filesystem::path& output, std::string_view start = {});
inline constexpr std::string_view png_start = "\x89PNG\r\n";

}  // namespace rebite::jobs
