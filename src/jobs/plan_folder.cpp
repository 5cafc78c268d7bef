#include "jobs/plan_folder.h"

#include <fmt/format.h>
#include <zlib.h>

#include <algorithm>
#include <atomic>
#include <functional>
#include <iterator>
#include <new>
#include <nlohmann/json.hpp>

#include "align/parallel.h"
#include "files/files.h"

namespace rebite::jobs {
namespace {

constexpr const char* plan_name = "plan.json";
constexpr std::size_t most_bytes = std::size_t{1} << 30;
// All but plan.json, which tells their check sums.
constexpr const char* drawn_names[] = {
    "regions.png", "map.png", "map.svg", "next-proof.png", "bench-map.pdf", "report.html"};

// Cairo does not bear a failed allocation: it may leave out a mark without a word, or jump into a
// frame that is gone (DEVELOPERS.md, faults). So what it may want is asked for before it begins;
// throws std::bad_alloc. A call of operator new, not a new-expression: that one could be left out.
void ask_for_drawing_memory() {
  constexpr std::size_t bytes = 64U << 20U;
  ::operator delete(::operator new(bytes));
}

// CRC-32 as in PNG (ISO 3309): against a slip of the hand, and ten times as fast as SHA-256.
std::string check_sum(std::string_view bytes) {
  const auto* data = reinterpret_cast<const Bytef*>(bytes.data());
  return fmt::format("{:08x}", crc32_z(crc32_z(0, nullptr, 0), data, bytes.size()));
}

// What the plan in that folder says of its files, by name; empty where it does not tell.
std::vector<std::pair<std::string, std::string>> check_sums_of(const std::filesystem::path& plan) {
  std::vector<std::pair<std::string, std::string>> sums;
  const auto text = files::read_bytes(plan);
  if (!text) return sums;
  const auto json = nlohmann::json::parse(*text, nullptr, false);
  if (!json.is_object() || !json.contains("files") || !json["files"].is_array()) return sums;
  for (const auto& file : json["files"]) {
    if (!file.is_object()) continue;
    const auto name = file.value("name", nlohmann::json()), sum = file.value("crc32", nlohmann::json());
    if (name.is_string() && sum.is_string()) sums.emplace_back(name, sum);
  }
  return sums;
}

}  // namespace

std::vector<std::pair<std::string, std::string>> plan_files(const sheets::SheetContent& content,
                                                            const sheets::BenchMapOptions& bench,
                                                            const Progress& progress) {
  struct Sheet {  // in the order of drawn_names
    int share;    // of the time, of 100: large plates have it so
    std::function<std::string()> draw;
  };
  const std::vector<Sheet> sheets{{3, [&] { return sheets::regions_png(content); }},
                                  {16, [&] { return sheets::map_png(content); }},
                                  {7, [&] { return sheets::map_svg(content); }},
                                  {22, [&] { return sheets::next_proof_png(content); }},
                                  {42, [&] { return sheets::bench_map_pdf(content, bench); }},
                                  {10, [&] { return sheets::report_html(content); }}};
  std::vector<std::pair<std::string, std::string>> files{{plan_name, std::string()}}, sums;
  for (const char* name : drawn_names) {
    files.emplace_back(name, std::string());
    sums.emplace_back(name, std::string());
  }
  ask_for_drawing_memory();
  // The longest are begun first, so that both threads end together.
  constexpr std::size_t order[] = {4, 3, 1, 5, 2, 0};
  static_assert(std::size(order) == std::size(drawn_names));
  std::atomic<std::size_t> next = 0;
  std::atomic<int> done = 0;
  align::in_parallel(2, 2, [&](int first, int) {
    for (std::size_t k = next++; k < sheets.size() && !progress.stopped(); k = next++) {
      const std::size_t at = order[k];
      std::string& bytes = files[at + 1].second;
      bytes = sheets[at].draw();
      sums[at].second = check_sum(bytes);
      done += sheets[at].share;
      if (first == 0) progress.at(done / 100.0, "drawing the sheets");  // from one thread only
    }
  });
  files.front().second = sheets::plan_json(content, sums);
  return files;
}

Result<void> plan_folder_is_free(const std::filesystem::path& folder,
                                 const std::vector<std::filesystem::path>& inputs) {
  std::vector<std::filesystem::path> outputs{folder / plan_name};
  for (const char* name : drawn_names) outputs.push_back(folder / name);
  for (const auto& file : outputs) {
    if (auto ok = output_is_no_input(file, inputs); !ok) return ok;
    const auto start = file.extension() == ".png"    ? png_start
                       : file.filename() == plan_name ? R"({"format":"rebite-plan")"
                                                      : "";
    if (auto ok = files::may_replace(file, start); !ok) return ok;
  }
  for (const auto& [name, sum] : check_sums_of(folder / plan_name)) {
    if (std::ranges::find(drawn_names, name) == std::end(drawn_names)) continue;
    const auto now = files::read_bytes(folder / name, most_bytes);
    if (!now || check_sum(*now) == sum) continue;  // gone: nothing of the user's to lose
    return refuse(
        ProblemKind::cannot_create,
        fmt::format("{}: is not what its plan.json tells of (changed by hand?), and a new plan would "
                    "replace it",
                    files::shown(folder / name)),
        "Move it to another folder (or delete it), or name another folder with --out. Nothing was "
        "changed.");
  }
  return {};
}

}  // namespace rebite::jobs
