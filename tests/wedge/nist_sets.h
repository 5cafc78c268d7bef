// Reads one set of ../shared/data/nist.
#pragma once

#include <Eigen/Core>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

namespace rebite::wedge {

struct NistSet {
  std::vector<double> x, y, certified, sd, start1, start2;
  double rss = 0;
  int df = 0;
};

inline NistSet read_nist(const std::filesystem::path& path) {
  NistSet set;
  std::ifstream in(path);
  std::string line;
  while (std::getline(in, line)) {
    std::istringstream words(line);
    std::string key, skip;
    words >> key;
    if (key == "df") words >> set.df;
    if (key == "rss") words >> set.rss;
    if (key == "par") {
      double certified = 0, sd = 0, start1 = 0, start2 = 0;
      words >> skip >> skip >> certified >> skip >> sd >> skip >> start1 >> skip >> start2;
      set.certified.push_back(certified);
      set.sd.push_back(sd);
      set.start1.push_back(start1);
      set.start2.push_back(start2);
    }
    if (key == "data") {
      double y = 0, x = 0;
      words >> y >> x;
      set.y.push_back(y);
      set.x.push_back(x);
    }
  }
  return set;
}

// Correct digits: -log10 of the relative error, at most 11 (as many as are certified).
inline double digits(double found, double certified) {
  const double e = std::fabs(found - certified) / std::fabs(certified);
  if (std::isnan(e)) return 0;
  return e <= 1e-11 ? 11 : -std::log10(e);
}

inline Eigen::VectorXd to_vector(const std::vector<double>& v) {
  return Eigen::Map<const Eigen::VectorXd>(v.data(), static_cast<Eigen::Index>(v.size()));
}

}  // namespace rebite::wedge
