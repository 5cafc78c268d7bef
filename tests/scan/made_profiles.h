// Colour profiles built with Little CMS.
#pragma once

#include <lcms2.h>

#include <string>

namespace rebite::scan::made {

// Closes the profile.
inline std::string bytes_of(cmsHPROFILE profile) {
  cmsUInt32Number size = 0;
  cmsSaveProfileToMem(profile, nullptr, &size);
  std::string bytes(size, '\0');
  cmsSaveProfileToMem(profile, bytes.data(), &size);
  cmsCloseProfile(profile);
  return bytes;
}

inline std::string grey_profile(double gamma) {
  cmsToneCurve* curve = cmsBuildGamma(nullptr, gamma);
  std::string bytes = bytes_of(cmsCreateGrayProfile(cmsD50_xyY(), curve));
  cmsFreeToneCurve(curve);
  return bytes;
}

}  // namespace rebite::scan::made
