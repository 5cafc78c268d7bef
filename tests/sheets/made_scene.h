// The shapes of the made content, in mm of a 150 x 110 mm plate, print view.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "plan/bite_plan.h"

namespace rebite::maker {

struct SceneShape {
  std::vector<cv::Point2d> outline;  // later shapes lie over earlier ones
  plan::Action action = plan::Action::bite;
  double now = 0, target = 0;  // densities
};

std::vector<SceneShape> lock_scene();
std::vector<SceneShape> one_l();

}  // namespace rebite::maker
