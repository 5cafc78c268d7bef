// Plans that are being looked at and changed: kept measures in memory, the book's plans, pictures.
#pragma once

#include <list>
#include <memory>
#include <mutex>

#include "jobs/hand_edits.h"
#include "jobs/studio.h"

namespace rebite::jobs {

class PlanDesk {
 public:
  explicit PlanDesk(Studio studio) : studio_(std::move(studio)) {}

  // Everything the plan's view shows: the data object of sheets/report_data.h with "pieces", the
  // plan's place in the book, and what was changed by hand. Refuses (no_input) a plan whose
  // measures are not kept here (it was made with the command line).
  Result<std::string> view(book::Id plan);

  // The whole list of edits takes the place of the one that `from` stands for.
  struct Answer {
    bool conflict = false;  // `from` is not the current plan any more: nothing was changed
    book::Id plan = 0;      // the current one now
  };
  Result<Answer> change(book::Id from,
                        const std::vector<HandEdit>& edits,
                        const std::string& made_at);
  Result<Answer> undo(book::Id from);
  Result<Answer> redo(book::Id from);

  // JPEG. Layers: proof, drawing, next. Empty: there is no such tile.
  Result<std::string> tile(book::Id plan, const std::string& layer, int level, int col, int row);
  // plan.json, regions.png, map.png, map.svg, next-proof.png, bench-map.pdf, report.html. Empty:
  // no such file.
  Result<std::string> file(book::Id plan, const std::string& name);
  Result<std::vector<TileLevel>> levels(book::Id plan);

 private:
  struct Open {
    book::Id plan = 0, root = 0, state = 0, plate = 0;
    int state_number = 0;
    std::string plate_title;
    std::shared_ptr<const KeptPlan> kept;
    std::vector<HandEdit> edits;
    sheets::SheetContent content;
  };
  Result<std::shared_ptr<const Open>> open(book::Id plan);
  Result<std::shared_ptr<const KeptPlan>> kept(book::Id root);

  Studio studio_;
  std::mutex mutex_;  // of the two lists; the last ones used are at the front
  std::list<std::shared_ptr<const Open>> open_;
  std::list<std::pair<book::Id, std::shared_ptr<const KeptPlan>>> kept_;
};

}  // namespace rebite::jobs
