#include "jobs/plan_folder.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <zlib.h>

#include <atomic>
#include <functional>
#include <iterator>
#include <map>
#include <new>
#include <nlohmann/json.hpp>
#include <optional>

#include "align/parallel.h"
#include "files/files.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {

constexpr const char* plan_name = "plan.json";
constexpr std::size_t most_bytes = std::size_t{1} << 30;
constexpr const char* advice =
    "Move what you want to keep to another folder and delete the rest, or name another folder with "
    "--out. Nothing was changed.";
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

using CheckSums = std::map<std::string, std::string>;

// What the plan in that folder says of its files; nothing where there is no plan. Refuses
// (cannot_create) a plan.json that is none, and one that cannot be read.
Result<std::optional<CheckSums>> check_sums_in(const fs::path& folder) {
  std::error_code unknown;
  if (!fs::exists(folder / plan_name, unknown)) return std::nullopt;
  const auto text = files::read_bytes(folder / plan_name);
  if (!text) return std::unexpected(text.error());
  const auto json = nlohmann::json::parse(*text, nullptr, false);
  if (!json.is_object() || json.value("format", nlohmann::json()) != "rebite-plan") {
    return refuse(ProblemKind::cannot_create,
                  fmt::format("{}: is no plan as Rebite writes it, and a new one would replace it",
                              files::shown(folder / plan_name)),
                  advice);
  }
  CheckSums sums;
  for (const auto& file : json.value("files", nlohmann::json::array())) {
    if (!file.is_object()) continue;
    const auto name = file.value("name", nlohmann::json()),
               sum = file.value("crc32", nlohmann::json());
    if (name.is_string() && sum.is_string()) sums[name] = sum;
  }
  return sums;
}

// The files of a plan's names that a new plan would replace though they are not as the old one wrote
// them. A plan of before November 29, 2026 does not tell, and all is taken for its own.
Result<std::vector<std::string>> strangers_in(const fs::path& folder) {
  const auto sums = check_sums_in(folder);
  if (!sums) return std::unexpected(sums.error());
  std::vector<std::string> strangers;
  for (const char* name : drawn_names) {
    std::error_code unknown;
    if (!fs::exists(folder / name, unknown)) continue;
    if (!*sums) {
      strangers.emplace_back(name);
      continue;
    }
    const auto sum = (*sums)->find(name);
    if (sum == (*sums)->end()) continue;
    const auto bytes = files::read_bytes(folder / name, most_bytes);
    if (!bytes) return std::unexpected(bytes.error());
    if (check_sum(*bytes) != sum->second) strangers.emplace_back(name);
  }
  return strangers;
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

Result<void> plan_folder_is_free(const fs::path& folder, const std::vector<fs::path>& inputs) {
  std::vector<fs::path> outputs{folder / plan_name};
  for (const char* name : drawn_names) outputs.push_back(folder / name);
  for (const auto& file : outputs) {
    if (auto ok = output_is_no_input(file, inputs); !ok) return ok;
    const auto start = file.extension() == ".png"    ? png_start
                       : file.filename() == plan_name ? R"({"format":"rebite-plan")"
                                                      : "";
    if (auto ok = files::may_replace(file, start); !ok) return ok;
  }
  const auto strangers = strangers_in(folder);
  if (!strangers) return std::unexpected(strangers.error());
  if (strangers->empty()) return {};
  return refuse(ProblemKind::cannot_create,
                fmt::format("{}: a new plan would replace {}, which no plan there wrote so (changed by "
                            "hand, or left by a run that was killed)",
                            files::shown(folder),
                            fmt::join(*strangers, ", ")),
                advice);
}

}  // namespace rebite::jobs
