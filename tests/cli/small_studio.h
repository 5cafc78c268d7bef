// A small studio for all command tests of the program: made once, when it is first asked for.
#pragma once

#include "tests/jobs/studio.h"

namespace rebite::cli {

struct SmallStudio {
  jobs::StudioCase what{"small", 21};
  jobs::StudioFolder folder;
  jobs::MadeStudio made;
  std::string not_ready;  // empty: the batch file is in the folder too

  SmallStudio() {
    what.plate = {70, 50};
    made = make_studio(what, folder);
    const auto batch = jobs::calibrate(what, made, folder);
    if (!batch) not_ready = batch.error().what;
  }
  std::string file(const std::string& name) const { return (folder / name).string(); }
};

inline SmallStudio& small_studio() {
  static SmallStudio studio;
  return studio;
}

}  // namespace rebite::cli
