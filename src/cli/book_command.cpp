#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <cstdlib>
#include <functional>
#include <utility>

#include "cli/command.h"
#include "jobs/book_jobs.h"
#include "units/parse.h"

namespace rebite::cli {
namespace {

struct BookOptions {
  std::filesystem::path book, folder, html, plot;
  bool json = false;
  std::string title, size, thickness, time, temperature, batch_name;
  std::filesystem::path batch_file;
  jobs::BookPlate plate;
  jobs::BookBatch batch;
  jobs::BookGround ground;
  jobs::StateRequest state;
  jobs::BiteRequest bite;
  jobs::LowerRequest lower;
  jobs::StrikeRequest strike;
  bool lowering = false;
  int impressions = -1;
  double volume = 0;
};
using Shared = std::shared_ptr<BookOptions>;

Result<jobs::OpenBook> open(const BookOptions& o, jobs::BookAccess access) {
  const char* environment = std::getenv("REBITE_BOOK");
  return jobs::open_book(o.book, environment ? environment : "", access);
}

// Asks `first`, opens the book, runs `work(book)` -> Result<std::string>, prints its text; then says
// what `work` has left in `found`.
template <class Work>
void on_book(CLI::App* c,
             Shared o,
             Surroundings& around,
             jobs::BookAccess access,
             Work work,
             std::shared_ptr<std::optional<Problem>> found = nullptr,
             std::function<Result<void>()> first = {}) {
  c->add_option("--book",
                o->book,
                "the record book (default: rebite-book.sqlite in the current folder, or "
                "$REBITE_BOOK)")
      ->type_name("FILE");
  c->callback([o = std::move(o),
               &around,
               access,
               work = std::move(work),
               found = std::move(found),
               first = std::move(first)] {
    if (const auto ok = first ? first() : Result<void>(); !ok) {
      around.exit_code = around.console.problem(ok.error());
      return;
    }
    auto book = open(*o, access);
    if (!book) {
      around.exit_code = around.console.problem(book.error());
      return;
    }
    const Result<std::string> text = work(*book);
    around.exit_code = text ? around.console.result(*text) : around.console.problem(text.error());
    if (found && *found && around.exit_code == 0) {
      around.exit_code = around.console.problem(**found);
    }
  });
}

void add_plate(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("plate", "add a plate");
  c->add_option("TITLE", o->plate.title, "the plate's name")->required();
  c->add_option("--size", o->size, "180x130 (mm), 18x13cm or 7x5in")->required()->type_name("WxH");
  c->add_option("--metal", o->plate.metal, "copper, zinc, ... (default copper)");
  c->add_option("--thickness", o->thickness, "in mm")->type_name("MM");
  c->add_option("--note", o->plate.note, "anything worth remembering");
  on_book(c, o, around, jobs::BookAccess::make, [o](book::Book& b) -> Result<std::string> {
    const auto size = parse_size(o->size);
    if (!size) return std::unexpected(size.error());
    o->plate.size = *size;
    if (o->plate.metal.empty()) o->plate.metal = "copper";
    if (!o->thickness.empty()) {
      const auto t = parse_number(o->thickness);
      if (!t) return std::unexpected(t.error());
      if (*t < 0.1 || *t > 20) {
        return refuse(ProblemKind::usage,
                      fmt::format("a plate of {:g} mm is not from 0.1 to 20 mm thick", *t),
                      "Give its thickness in mm with --thickness.");
      }
      o->plate.thickness_mm = *t;
    }
    const auto id = b.add_plate(o->plate);
    if (!id) return std::unexpected(id.error());
    return fmt::format("The plate '{}' is in the book.\n", o->plate.title);
  });
}

void add_batch(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand(
      "batch", "show a batch: speed over its life; or enter its wedge, mixing day and volume");
  c->add_option("NAME", o->batch_name, "a batch of the book, or a NAME.batch.json")->required();
  c->add_option("--volume", o->volume, "litres in the bath")
      ->type_name("L")
      ->check(CLI::Range(0.01, 1000.0))
      ->check(finite_number());
  c->add_option("--mixed-on", o->batch.mixed_on, "the day it was mixed")->type_name("YYYY-MM-DD");
  c->add_option("--plot",
                o->plot,
                "draw the drift, and beside it predicted against reached as FILE-reached.svg")
      ->type_name("FILE.svg");
  add_json_flag(*c, o->json);
  const auto work = [o](book::Book& b) -> Result<std::string> {
    if (o->volume > 0) o->batch.volume_l = o->volume;
    const auto story = jobs::enter_or_show_batch(b, o->batch_name, o->batch, today());
    if (!story) return std::unexpected(story.error());
    if (!o->plot.empty()) {
      if (auto drawn = jobs::draw_batch(*story, o->plot); !drawn) {
        return std::unexpected(drawn.error());
      }
    }
    return o->json ? jobs::batch_json(*story) : jobs::batch_text(*story);
  };
  on_book(c, o, around, jobs::BookAccess::make, work, nullptr, [o] {
    return o->plot.empty() ? Result<void>() : jobs::batch_can_be_drawn(o->plot);
  });
}

void add_ground(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand(
      "ground", "enter a ground (a wedge's own is entered with its plan), or add a note to it");
  c->add_option("NAME", o->ground.name, "\"rosin, fine\"")->required();
  c->add_option("--note", o->ground.note, "how it was laid: box wait, settling, heat");
  on_book(c, o, around, jobs::BookAccess::make, [o](book::Book& b) -> Result<std::string> {
    const auto id = jobs::enter_ground(b, o->ground);
    if (!id) return std::unexpected(id.error());
    return fmt::format("The ground '{}' is in the book.\n", o->ground.name);
  });
}

void add_state(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c =
      book.add_subcommand("state",
                          "record a state and compare its proof with the last plan (rebite plan "
                          "--record does it too)");
  c->add_option("PLATE", o->state.plate, "the plate's name")->required();
  c->add_option("--number", o->state.state.number, "default: the next one")
      ->check(CLI::Range(1, 100000));
  c->add_option("--date", o->state.state.date, "default: today")->type_name("YYYY-MM-DD");
  c->add_option("--proof", o->state.proofs, "a scan of a proof; may be given several times")
      ->type_name("SCAN")
      ->allow_extra_args(false);
  c->add_option("--drawing", o->state.drawing, "the scan of the drawing")->type_name("SCAN");
  c->add_option("--impressions", o->impressions, "how many were printed")
      ->type_name("N")
      ->check(CLI::Range(0, 100000));
  c->add_option("--note", o->state.state.note, "anything worth remembering");
  add_scan_options(*c, o->state.read);
  add_other_scanner(*c, o->state.read);
  o->state.state.number = 0;
  on_book(
      c, o, around, jobs::BookAccess::write, [o, &around](book::Book& b) -> Result<std::string> {
        if (o->state.state.date.empty()) o->state.state.date = today();
        if (o->impressions >= 0) o->state.state.impressions_printed = o->impressions;
        const auto entered = jobs::enter_state(b, o->state, around.console.progress(around.stop));
        if (!entered) return std::unexpected(entered.error());
        return jobs::state_text(*entered, o->state.plate);
      });
}

void add_bite(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("bite", "record a dip as it was really done");
  c->add_option("PLATE", o->bite.plate, "the plate's name")->required();
  c->add_option("--stage", o->bite.bite.stage, "of the plan")
      ->required()
      ->check(CLI::Range(1, 1000));
  c->add_option("--time", o->time, "really taken for this dip: 45s, 2:30, 4min")
      ->required()
      ->type_name("TIME");
  c->add_option("--state", o->bite.state, "default: the last one")->check(CLI::Range(1, 100000));
  c->add_option("--temperature", o->temperature, "of the bath")->type_name("19C");
  c->add_option("--batch", o->bite.batch, "when it was not the plan's");
  c->add_option("--date", o->bite.bite.done_on, "default: today")->type_name("YYYY-MM-DD");
  c->add_option("--note", o->bite.bite.note, "anything worth remembering");
  on_book(c, o, around, jobs::BookAccess::write, [o](book::Book& b) -> Result<std::string> {
    const auto time = parse_time(o->time);
    if (!time) return std::unexpected(time.error());
    o->bite.bite.minutes = time->in_minutes();
    if (!o->temperature.empty()) {
      const auto t = parse_temperature(o->temperature);
      if (!t) return std::unexpected(t.error());
      o->bite.bite.temperature_c = t->in_celsius();
    }
    if (o->bite.bite.done_on.empty()) o->bite.bite.done_on = today();
    const auto number = jobs::enter_bite(b, o->bite);
    if (!number) return std::unexpected(number.error());
    return fmt::format(
        "Stage {} of state {}, {}: in the book.\n", o->bite.bite.stage, *number, clock_text(*time));
  });
}

void add_lower(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("lower", "record what was burnished or scraped");
  c->add_option("PLATE", o->lower.plate, "the plate's name")->required();
  c->add_option("--how", o->lower.lowering.how, "burnish, scrape or charcoal")
      ->required()
      ->check(CLI::IsMember({"burnish", "scrape", "charcoal"}));
  c->add_option("--region", o->lower.lowering.region, "of the plan")->check(CLI::Range(1, 65535));
  c->add_option("--state", o->lower.state, "default: the last one")->check(CLI::Range(1, 100000));
  c->add_option("--date", o->lower.lowering.done_on, "default: today")->type_name("YYYY-MM-DD");
  c->add_option("--note", o->lower.lowering.note, "anything worth remembering");
  on_book(c, o, around, jobs::BookAccess::write, [o](book::Book& b) -> Result<std::string> {
    if (o->lower.lowering.done_on.empty()) o->lower.lowering.done_on = today();
    const auto number = jobs::enter_lowering(b, o->lower);
    if (!number) return std::unexpected(number.error());
    return fmt::format("State {}: {} is in the book.\n", *number, o->lower.lowering.how);
  });
}

void add_strike(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand(
      "strike", "strike out a wrong bite or lowering: it stays in the book and no longer counts");
  c->add_option("PLATE", o->strike.plate, "the plate's name")->required();
  auto* stage = c->add_option("--stage", o->strike.stage, "the bite of this stage")
                    ->check(CLI::Range(1, 1000));
  c->add_option("--time", o->time, "the wrong time, where the stage has several bites")
      ->needs(stage)
      ->type_name("TIME");
  auto* lowering =
      c->add_flag("--lowering", o->lowering, "the last lowering entered instead")->excludes(stage);
  // A bite is of a stage: a region beside it would be passed over, and another entry struck out.
  c->add_option("--region", o->strike.region, "the last lowering of this region")
      ->needs(lowering)
      ->check(CLI::Range(1, 65535));
  c->add_option("--state", o->strike.state, "default: the last one")->check(CLI::Range(1, 100000));
  c->add_option("--why", o->strike.struck.why, "anything worth remembering");
  on_book(c, o, around, jobs::BookAccess::write, [o](book::Book& b) -> Result<std::string> {
    if (o->strike.stage == 0 && !o->lowering) {
      return refuse(ProblemKind::usage,
                    "It is not said what is to be struck out.",
                    "Give --stage N for a bite, or --lowering with --region N.");
    }
    if (!o->time.empty()) {
      const auto time = parse_time(o->time);
      if (!time) return std::unexpected(time.error());
      o->strike.minutes = time->in_minutes();
    }
    o->strike.struck.on = today();
    return jobs::strike_out(b, o->strike);
  });
}

void add_list(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("list", "list the plates, batches and grounds");
  add_json_flag(*c, o->json);
  on_book(c, o, around, jobs::BookAccess::read, [o](book::Book& b) -> Result<std::string> {
    const auto list = jobs::list_book(b);
    if (!list) return std::unexpected(list.error());
    return o->json ? jobs::list_json(*list) : jobs::list_text(*list);
  });
}

void add_show(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("show", "tell a plate's whole story");
  c->add_option("PLATE", o->title, "the plate's name")->required();
  c->add_option("--html", o->html, "as one page with thumbnails and tone history")
      ->type_name("FILE.html");
  add_json_flag(*c, o->json);
  on_book(c, o, around, jobs::BookAccess::read, [o](book::Book& b) -> Result<std::string> {
    const auto story = jobs::plate_story(b, o->title, !o->html.empty());
    if (!story) return std::unexpected(story.error());
    if (!o->html.empty()) {
      if (auto ok = jobs::write_story_html(b, *story, o->html); !ok) {
        return std::unexpected(ok.error());
      }
    }
    return o->json ? jobs::story_json(*story) : jobs::story_text(*story);
  });
}

void add_files(CLI::App& book, Surroundings& around) {
  auto opened = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("open", "open a new book, or bring an older one up to date");
  on_book(c, opened, around, jobs::BookAccess::make, [](book::Book& b) -> Result<std::string> {
    return fmt::format("{}: the book is open (version {}).\n", b.file().string(), b.version());
  });
  auto out = std::make_shared<BookOptions>();
  c = book.add_subcommand("export", "write everything as JSON and files into a folder");
  c->add_option("DIR", out->folder, "the folder")->required();
  on_book(c, out, around, jobs::BookAccess::read, [out](book::Book& b) -> Result<std::string> {
    if (auto ok = jobs::export_book(b, out->folder); !ok) return std::unexpected(ok.error());
    return fmt::format("Everything is in {}.\n", out->folder.string());
  });
  auto in = std::make_shared<BookOptions>();
  c = book.add_subcommand("import", "read an exported folder into a new book");
  c->add_option("DIR", in->folder, "the folder")->required();
  on_book(c, in, around, jobs::BookAccess::make, [in](book::Book& b) -> Result<std::string> {
    if (auto ok = jobs::import_book(b, in->folder); !ok) return std::unexpected(ok.error());
    return fmt::format("{} is in the book.\n", in->folder.string());
  });
  auto copy = std::make_shared<BookOptions>();
  c = book.add_subcommand("copy", "copy the book, also while it is in use");
  c->add_option("FILE", copy->folder, "the new file")->required();
  on_book(c, copy, around, jobs::BookAccess::read, [copy](book::Book& b) -> Result<std::string> {
    if (auto ok = b.copy_to(copy->folder); !ok) return std::unexpected(ok.error());
    return fmt::format("Copied to {}.\n", copy->folder.string());
  });
}

// The report is the result (stdout); damage or a missing scan is also a problem of the book (65).
void add_check(CLI::App& book, Surroundings& around) {
  auto o = std::make_shared<BookOptions>();
  auto* c = book.add_subcommand("check", "look for damage, and for scans that changed or are gone");
  add_json_flag(*c, o->json);
  auto found = std::make_shared<std::optional<Problem>>();
  on_book(
      c,
      o,
      around,
      jobs::BookAccess::read,
      [o, found, &around](book::Book& b) -> Result<std::string> {
        const auto report = jobs::check_book(b, around.console.progress(around.stop));
        if (!report) return std::unexpected(report.error());
        *found = jobs::check_problem(*report, b.file());
        return o->json ? jobs::check_json(*report) : jobs::check_text(*report);
      },
      found);
}

}  // namespace

void add_book(CLI::App& app, Surroundings& around) {
  auto* c = app.add_subcommand("book", "the record of plates, states, batches and bites");
  c->require_subcommand(1);
  add_files(*c, around);
  add_plate(*c, around);
  add_batch(*c, around);
  add_ground(*c, around);
  add_state(*c, around);
  add_bite(*c, around);
  add_lower(*c, around);
  add_strike(*c, around);
  add_list(*c, around);
  add_show(*c, around);
  add_check(*c, around);
  c->footer(
      "Example:\n  rebite book open\n  rebite book plate \"Lock in snow\" --size 150x110\n"
      "  rebite plan proof.tif drawing.tif --plate 150x110 --batch ferric.batch.json --out state-2 "
      "--record \"Lock in snow\"\n"
      "  rebite book bite \"Lock in snow\" --stage 1 --time 0:45 --temperature 19C\n"
      "  rebite book show \"Lock in snow\" --html story.html");
}

}  // namespace rebite::cli
