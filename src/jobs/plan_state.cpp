#include "jobs/plan_state.h"

#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <map>

#include "book/speed.h"
#include "files/files.h"
#include "jobs/align_scans.h"
#include "jobs/guard.h"
#include "jobs/paper_match.h"
#include "jobs/pictures.h"
#include "jobs/plan_folder.h"
#include "jobs/plan_inputs.h"
#include "jobs/record_plan.h"
#include "jobs/scanner_match.h"
#include "jobs/version.h"

namespace rebite::jobs {
namespace {

// Fine enough that region borders are true to a brush, coarse enough that a 400 x 300 mm plate
// stays under eight million cells.
constexpr double region_px_per_mm = 8;
constexpr double picture_megapixels = 6;
// Where the sheets begin. All shares of the progress are those of the time that a 70 megapixel pair
// takes (measure_speed progress), so that the time left is true.
constexpr double kSheets = 0.86;

struct Scans {
  scan::DensityImage proof, drawing;
  cv::Mat1b mask;  // 255 = leave alone; empty: nothing is
  align::Alignment alignment;
  align::PlateGrid grid;
};

void append(Notes& to, const Notes& from) {
  for (const auto& note : from) {
    if (std::find(to.begin(), to.end(), note) == to.end()) to.push_back(note);
  }
}

double finest(const scan::DensityImage& a) { return std::min(a.px_per_mm_x(), a.px_per_mm_y()); }

Result<Scans> load_and_align(const PlanRequest& request, const Progress& progress) {
  auto pair = load_pair(request.proof, request.drawing, request.read, progress.part(0, 0.21));
  if (!pair) return std::unexpected(pair.error());
  if (progress.stopped()) return stopped_by_user();
  // Before the pair is aligned, which is the longest part: a mask that cannot be used is told soon.
  cv::Mat1b mask;
  if (!request.leave.empty()) {
    auto loaded = load_mask(request.leave, pair->first, request.plate);
    if (!loaded) return std::unexpected(loaded.error());
    mask = std::move(*loaded);
  }
  align::AlignOptions options;
  options.plate = request.plate;
  options.allow_mirrored = request.mirrored;
  auto pins = load_pins(request.pins);
  if (!pins) return std::unexpected(pins.error());
  options.pins = std::move(*pins);
  auto alignment = align::align_pair(pair->first, pair->second, options, progress.part(0.21, 1));
  if (!alignment) return std::unexpected(alignment.error());
  const double px_per_mm = std::min({region_px_per_mm, finest(pair->first), finest(pair->second)});
  return Scans{std::move(pair->first),
               std::move(pair->second),
               std::move(mask),
               std::move(*alignment),
               align::PlateGrid{request.plate, px_per_mm}};
}

// Each further impression of the proof's state, aligned to the proof and brought into its grid.
Result<std::vector<cv::Mat1f>> further_impressions(const PlanRequest& request,
                                                   const Scans& scans,
                                                   const Progress& progress) {
  std::vector<cv::Mat1f> impressions;
  for (const auto& file : request.impressions) {
    const auto impression = load_scan(file, request.read);
    if (!impression) return std::unexpected(impression.error());
    align::AlignOptions options;
    options.plate = request.plate;
    options.allow_mirrored = false;
    auto alignment = align::align_pair(scans.proof, *impression, options, progress);
    if (!alignment) return std::unexpected(alignment.error());
    alignment->plate = scans.alignment.plate;
    impressions.push_back(
        align::to_plate(scans.proof, *impression, *alignment, scans.grid).drawing);
  }
  return impressions;
}

Result<tone::RegionMap> regions_of(const PlanRequest& request,
                                   const Scans& scans,
                                   const align::PlatePair& pair,
                                   const Progress& progress) {
  tone::RegionOptions options;
  options.brush_mm = request.brush_mm;
  const auto& a = scans.proof.doubt;
  const auto& b = scans.drawing.doubt;
  options.doubt = {std::max(a.floor, b.floor), std::max(a.relative, b.relative)};
  options.previous_labels = labels_before(request.out, scans.grid);
  if (!scans.mask.empty()) {
    auto mask = leave_mask(
        request.leave, scans.mask, scans.proof, *scans.alignment.plate, scans.grid);
    if (!mask) return std::unexpected(mask.error());
    options.leave = std::move(*mask);
  }
  const double read = request.impressions.empty() ? 0 : 0.5;
  auto further = further_impressions(request, scans, progress.part(0, read));
  if (!further) return std::unexpected(further.error());
  options.further_impressions = std::move(*further);
  return tone::find_regions(pair, options, progress.part(read, 1));
}

sheets::AlignmentContent shown_alignment(const align::Alignment& a) {
  sheets::AlignmentContent c;
  c.mirrored = a.mirrored;
  c.rotation_deg = a.rotation_deg;
  c.scale_x = a.scale_x;
  c.scale_y = a.scale_y;
  if (a.error) c.error_median_mm = a.error->median, c.error_p95_mm = a.error->p95;
  c.confidence = a.confidence;
  c.plate_found = a.plate->found;
  c.stretch_x = a.plate->stretch_x;
  c.stretch_y = a.plate->stretch_y;
  c.notes = a.notes;
  return c;
}

// `regions` is the pair that the regions were found on: on a large plate its grid is as fine as the
// pictures are to be, and bringing both scans into yet another grid would double that work.
void add_pictures(sheets::SheetContent& content,
                  const Scans& scans,
                  const align::PlatePair& regions) {
  const double area = content.plate.width * content.plate.height;
  const double wanted = std::min(
      {finest(scans.proof), finest(scans.drawing), std::sqrt(picture_megapixels * 1e6 / area)});
  const bool fine_enough = regions.grid.px_per_mm >= wanted;
  const align::PlateGrid grid{content.plate, fine_enough ? regions.grid.px_per_mm : wanted};
  const align::PlatePair& pair =
      fine_enough ? regions : align::to_plate(scans.proof, scans.drawing, scans.alignment, grid);
  const NextTone next(content.plan, content.map);
  content.picture_px_per_mm = grid.px_per_mm;
  content.proof_picture = as_grey(pair.proof);
  content.drawing_picture = as_grey(pair.drawing);
  content.next_proof_picture =
      as_grey(next_proof_in_plate(pair.proof, content.map.labels.size(), next));
  content.next_proof_scan =
      next_proof_scan(scans.proof, *scans.alignment.plate, content.map.grid, next);
  content.next_proof_px_per_mm = scans.proof.px_per_mm_x();
}

Result<wedge::Batch> checked_batch(const PlanRequest& request) {
  auto batch = load_batch(request.batch);
  if (!batch) return batch;
  if (batch->curve.darkest() <= batch->curve.lightest()) {
    return refuse(
        ProblemKind::data,
        fmt::format("{}: its curve does not grow darker with time", files::shown(request.batch)),
        "Measure the wedge again with rebite wedge.");
  }
  return batch;
}

// Whether proof, drawing and wedge were exposed alike, by their bare paper.
Notes papers_alike(const PlanRequest& request, const Scans& scans, const wedge::Batch* batch) {
  std::vector<SeenPaper> papers{paper_of("the proof", scans.proof),
                                paper_of("the drawing", scans.drawing)};
  // A wedge that was read another way on purpose has its own white.
  if (batch && !request.read.other_scanner) {
    papers.push_back({"the wedge", batch->paper_reflectance, batch->paper_unevenness});
  }
  return paper_notes(papers);
}

// A brush that hardly fits the plate leaves no area to stop out, and the plan would be empty.
Result<void> brush_fits(double brush_mm, SizeMm plate) {
  constexpr double always_fine_mm = 4, most_of_side = 0.25;
  const double most = std::max(always_fine_mm, most_of_side * std::min(plate.width, plate.height));
  if (brush_mm <= most) return {};
  return refuse(ProblemKind::usage,
                fmt::format("a brush of {:.3g} mm is too broad for a plate of {:.4g} x {:.4g} mm",
                            brush_mm,
                            plate.width,
                            plate.height),
                fmt::format("Areas narrower than --brush are not stopped out: take at most {:.3g} mm.",
                            std::floor(10 * most) / 10));
}

// `recorder` null: the record book has no part in it.
Result<sheets::SheetContent> content_of(const PlanRequest& request,
                                        PlanRecorder* recorder,
                                        const KeepPlan& keep,
                                        const Progress& progress) {
  return guarded("Planning", [&]() -> Result<sheets::SheetContent> {
    std::optional<wedge::Batch> batch;
    Notes scanner_notes;
    if (!request.batch.empty()) {
      auto loaded = checked_batch(request);
      if (!loaded) return std::unexpected(loaded.error());
      batch = std::move(*loaded);
      auto fits = scanner_fits(*batch, request.read);
      if (!fits) return std::unexpected(fits.error());
      scanner_notes = std::move(*fits);
    }
    std::vector<RegionEdit> edits;
    if (!request.edit.empty()) {
      const auto text = files::read_bytes(request.edit, most_json_bytes);
      if (!text) return std::unexpected(text.error());
      auto read = edits_from_json(*text, files::shown(request.edit));
      if (!read) return std::unexpected(read.error());
      edits = std::move(*read);
    }

    auto scans = load_and_align(request, progress.part(0, 0.56));
    if (!scans) return std::unexpected(scans.error());
    if (progress.stopped()) return stopped_by_user();
    progress.at(0.56, "bringing both into the plate's frame");
    const auto pair = align::to_plate(scans->proof, scans->drawing, scans->alignment, scans->grid);
    auto map = regions_of(request, *scans, pair, progress.part(0.595, 0.96));
    if (!map) return std::unexpected(map.error());
    if (progress.stopped()) return stopped_by_user();

    sheets::SheetContent content;
    content.map = std::move(*map);
    content.plate = request.plate;
    plan::PlanOptions options = request.options;
    options.plate_area_mm2 = request.plate.width * request.plate.height;
    Notes edit_notes;
    options.edits = edits_for(edits, content.map.labels, content.map.grid, edit_notes);
    Notes book_notes;
    if (recorder) {
      auto looked = recorder->look(scans->proof, batch ? &*batch : nullptr, options, book_notes);
      if (!looked) return std::unexpected(looked.error());
    }
    if (batch && !request.days_stated && options.speed_sd == 0) {
      options.days_since_wedge =
          std::max(0.0, book::days_between(batch->bitten_on, request.made_on));
    }
    auto plan = plan::plan_bites(content.map.regions, batch ? &*batch : nullptr, options);
    if (!plan) return std::unexpected(plan.error());
    content.plan = std::move(*plan);
    content.gap_shares = gap_shares_of(content.map, content.plan);
    content.plan.notes.insert(
        content.plan.notes.begin(), scanner_notes.begin(), scanner_notes.end());
    append(content.plan.notes, edit_notes);
    append(content.plan.notes, book_notes);
    append(content.plan.notes, papers_alike(request, *scans, batch ? &*batch : nullptr));
    append(content.plan.notes, content.map.notes);
    append(content.plan.notes, said_of("Proof", scans->proof.notes));
    append(content.plan.notes, said_of("Drawing", scans->drawing.notes));
    if (batch) append(content.plan.notes, said_of("Wedge", batch->notes));
    content.batch = std::move(batch);

    content.title = request.title.empty() ? request.proof.stem().string() : request.title;
    content.made_on = request.made_on;
    content.version = version();
    content.proof_file = files::shown(request.proof.filename());
    content.drawing_file = files::shown(request.drawing.filename());
    content.alignment = shown_alignment(scans->alignment);
    content.alignment_sigma_mm = pair.sigma_mm;
    content.units = request.units;
    content.fahrenheit = request.fahrenheit;
    progress.at(0.96, "drawing the pictures");
    add_pictures(content, *scans, pair);
    if (keep) {
      const PlanSources sources{scans->proof, scans->drawing, scans->alignment, options};
      if (auto ok = keep(sources, content, progress.part(0.99, 1)); !ok) {
        return std::unexpected(ok.error());
      }
    }
    return content;
  });
}

}  // namespace

tone::GapShares gap_shares_of(const tone::RegionMap& map, const plan::BitePlan& plan) {
  std::map<int, double> change, darkest;
  for (const auto& p : plan.regions) {
    // A soft passage follows the drawing place by place.
    change[p.region.id] = p.action == plan::Action::soft
                              ? std::numeric_limits<double>::infinity()
                              : (p.predicted.value - p.region.now.value).value();
    if (p.action == plan::Action::soft && p.nearest) darkest[p.region.id] = p.nearest->value();
  }
  return tone::gap_shares(map, change, darkest);
}

Result<PlanReport> plan_state(const PlanRequest& request,
                              const Progress& progress,
                              const KeepPlan& keep) {
  return guarded("Planning", [&]() -> Result<PlanReport> {
    std::vector<std::filesystem::path> inputs = request.impressions;
    inputs.insert(inputs.end(),
                  {request.proof,
                   request.drawing,
                   request.batch,
                   request.leave,
                   request.edit,
                   request.pins,
                   request.read.scanner,
                   request.read.blank,
                   request.book});
    if (auto ok = output_is_no_input(request.out, inputs); !ok) return std::unexpected(ok.error());
    if (std::error_code error; std::filesystem::is_regular_file(request.out, error)) {
      return refuse(ProblemKind::cannot_create,
                    fmt::format("{}: is a file; a plan is a folder", files::shown(request.out)),
                    "Name a new folder with --out.");
    }
    if (auto ok = output_can_be_written(request.out); !ok) return std::unexpected(ok.error());
    if (auto ok = plan_folder_is_free(request.out, inputs); !ok) return std::unexpected(ok.error());

    if (auto ok = brush_fits(request.brush_mm, request.plate); !ok) return std::unexpected(ok.error());
    std::vector<std::filesystem::path> prints{request.proof};
    prints.insert(prints.end(), request.impressions.begin(), request.impressions.end());
    if (auto ok = each_scan_once(
            prints,
            "Give with --impression further prints of the proof's state, each a sheet of its own: "
            "wiping is told from how they differ.");
        !ok) {
      return std::unexpected(ok.error());
    }

    std::optional<PlanRecorder> recorder;
    if (!request.record.empty()) {
      auto begun = PlanRecorder::begin(request);
      if (!begun) return std::unexpected(begun.error());
      recorder.emplace(std::move(*begun));
    }

    auto content =
        content_of(request, recorder ? &*recorder : nullptr, keep, progress.part(0, kSheets));
    if (!content) return std::unexpected(content.error());
    progress.at(kSheets, "drawing the sheets");
    auto files = plan_files(*content, request.bench, progress.part(kSheets, 0.99));
    if (recorder) {
      if (auto ok = recorder->prepare(request, *content, files[0].second, files[1].second); !ok) {
        return std::unexpected(ok.error());
      }
    }
    if (progress.stopped()) return stopped_by_user();
    progress.at(0.99, "writing");
    // Once more: whoever painted while the plan was made must not lose it.
    if (auto ok = plan_folder_is_free(request.out, inputs); !ok) return std::unexpected(ok.error());
    if (auto written = files::write_folder(request.out, files); !written) {
      return std::unexpected(written.error());
    }
    std::optional<PlanReport::Recorded> recorded;
    if (recorder) {
      auto entry = recorder->write(request, *content);
      if (!entry) {
        auto problem = entry.error();
        problem.next += " The plan's folder was written; it is not in the book.";
        return std::unexpected(problem);
      }
      recorded = *entry;
    }
    PlanReport report{std::move(*content), std::move(files.front().second), {}, recorded};
    for (const auto& [name, bytes] : files) report.files.push_back(name);
    progress.at(1, "done");
    return report;
  });
}

}  // namespace rebite::jobs
