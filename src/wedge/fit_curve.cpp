#include "wedge/fit_curve.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/fisher_f.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cassert>
#include <cmath>

#include "wedge/isotonic.h"
#include "wedge/ladder_order.h"
#include "wedge/monotone_form.h"
#include "wedge/saturating_form.h"

namespace rebite::wedge {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;

constexpr double usual_print_sd = 0.02;  // where nothing is told; common practice, no source
constexpr double densest = 10;           // no ink: 1e-10 of the paper's light
constexpr double sd_floor = 1e-3;        // log10 units: no scan of a print is read finer than that

struct Ladder {
  std::vector<double> minutes, density;
  MatrixXd covariance;
};

Ladder ladder_of(const std::vector<WedgeStep>& steps, const StepPlaces& places) {
  Ladder l;
  const auto n = static_cast<Index>(steps.size());
  l.covariance = wiping_correlation(steps.size(), places);
  for (Index i = 0; i < n; ++i) {
    const WedgeStep& s = steps[static_cast<std::size_t>(i)];
    l.minutes.push_back(s.time.in_minutes());
    l.density.push_back(s.density.value());
    for (Index j = 0; j < n; ++j) {
      l.covariance(i, j) *= s.wiping_sd * steps[static_cast<std::size_t>(j)].wiping_sd;
    }
    l.covariance(i, i) = s.sd * s.sd;
  }
  return l;
}

// Scale of the spread and the factor for a 90 % band: prior degrees of freedom and the residuals'
// together (scaled-inverse-chi-square prior; Gelman et al., Bayesian Data Analysis, section 2.6).
struct Spread {
  double scale = 1;   // on the variances
  double factor = 1;  // on standard errors, so that z90 of them is Student's t quantile
};

Spread spread_of(double chi2, int residual_dof, double prior_dof) {
  if (std::isinf(prior_dof)) return {};
  const double dof = prior_dof + residual_dof;
  if (dof <= 0) return {};
  const double scale = (prior_dof + chi2) / dof;
  const boost::math::students_t t(dof);
  return {scale, boost::math::quantile(t, 0.95) / ToneCurve::z90};
}

// The same for the band. Wiping is smooth, so a smooth curve takes it up and leaves little about
// itself: scatter that is less than told says nothing then, and none of its degrees count.
Spread band_spread(const SaturatingFit& fit, const std::vector<WedgeStep>& steps, double prior) {
  const bool shared = std::any_of(
      steps.begin(), steps.end(), [](const WedgeStep& s) { return s.wiping_sd > 0; });
  if (!shared || std::isinf(prior)) return spread_of(fit.chi2, fit.degrees_of_freedom, prior);
  const double chi2 = std::max(fit.chi2, static_cast<double>(fit.degrees_of_freedom));
  return {spread_of(chi2, fit.degrees_of_freedom, prior).scale, spread_of(0, 0, prior).factor};
}

double lack_of_fit_p(double chi2, int residual_dof, double prior_dof) {
  if (residual_dof < 1 || prior_dof <= 0) return 1;
  if (std::isinf(prior_dof)) {
    return boost::math::cdf(boost::math::complement(boost::math::chi_squared(residual_dof), chi2));
  }
  return boost::math::cdf(
      boost::math::complement(boost::math::fisher_f(residual_dof, prior_dof), chi2 / residual_dof));
}

struct FormChoice {
  SaturatingFit fit;
  bool latent = false;
  Notes notes;
};

// Scale by which chi-square gains are judged: 1 where sds are known.
double noise_scale(const SaturatingFit& fit, const FitOptions& options) {
  return spread_of(fit.chi2, fit.degrees_of_freedom, options.sd_degrees_of_freedom).scale;
}

bool beta_is_open(const SaturatingFit& fit, double scale) {
  return !fit.usable() || std::sqrt(fit.unit_covariance(3, 3) * scale) / fit.form.beta > 0.35;
}

// The form with as many parameters as the steps can fix.
FormChoice choose_form(const Ladder& l, const FitOptions& options) {
  FormChoice choice;
  SaturatingOptions o;
  const std::size_t n = l.minutes.size();
  const bool bare_step = l.minutes.front() == 0;
  if (!bare_step) {
    // Nothing between 0 and the first step was measured: bare metal prints somewhere below it.
    const double first = std::max(l.density.front(), 0.0);
    o.d0_guess = 0.5 * first;
    o.d0_spread = std::max(0.25 * first, 0.01);
    choice.notes.push_back(fmt::format(
        "No unbitten step: the tone of bare metal was taken as D {:.2f} give or take {:.2f}. Leave "
        "one step of the next wedge unbitten (time 0).",
        *o.d0_guess,
        o.d0_spread));
  }
  choice.fit = fit_saturating(l.minutes, l.density, l.covariance, o);
  const double scale = noise_scale(choice.fit, options);
  if (n < 5 || beta_is_open(choice.fit, scale)) {
    o.ln_beta_spread = 0.3;
    choice.fit = fit_saturating(l.minutes, l.density, l.covariance, o);
    choice.notes.push_back(
        "The steps do not fix the bend of the curve: it was held near a plain saturation (beta 1 "
        "give or take 0.3) and the band is wider for it. More steps fix it.");
    return choice;
  }
  if (n < 6) return choice;
  SaturatingOptions late = o;
  late.fit_latent = true;
  const SaturatingFit waiting = fit_saturating(l.minutes, l.density, l.covariance, late);
  if (!waiting.usable()) return choice;
  // Extra sum of squares, 1 % level: chi-square with one degree of freedom, or F by the scale.
  const double gain = (choice.fit.chi2 - waiting.chi2) / noise_scale(waiting, options);
  const double sd = std::sqrt(waiting.unit_covariance(4, 4) * noise_scale(waiting, options));
  if (gain > 6.63 && waiting.form.latent > 2 * sd) {
    choice.fit = waiting;
    choice.latent = true;
    choice.notes.push_back(fmt::format("Biting begins late: about {} pass before the tone rises.",
                                       clock_text(BiteTime::minutes(waiting.form.latent))));
  }
  return choice;
}

// 0, the steps' own times, and 120 times evenly spaced in ratio.
std::vector<double> grid(const std::vector<double>& step_minutes) {
  const double end = step_minutes.back();
  std::vector<double> first = step_minutes;
  std::erase(first, 0.0);
  const double begin = std::min(first.front() / 8, end / 500);
  std::vector<double> t{0};
  for (int k = 0; k < 120; ++k) t.push_back(begin * std::pow(end / begin, k / 119.0));
  t.back() = end;
  t.insert(t.end(), step_minutes.begin(), step_minutes.end());
  std::sort(t.begin(), t.end());
  // Points closer than a thousandth of their time would only make steep little pieces; of such a
  // pair the later one is kept, so that the end stays exact.
  std::vector<double> out;
  for (const double v : t) {
    if (!out.empty() && out.back() > 0 && v - out.back() < 1e-3 * v)
      out.back() = v;
    else if (out.empty() || v > out.back())
      out.push_back(v);
  }
  return out;
}

void make_usable(ToneCurve::Table& table) {
  for (std::size_t i = 0; i < table.minutes.size(); ++i) {
    table.sd[i] = std::max(table.sd[i], sd_floor);
    if (i > 0) table.density[i] = std::max(table.density[i], table.density[i - 1]);
  }
}

ToneCurve::Table saturating_table(const FormChoice& choice,
                                  const std::vector<double>& step_minutes,
                                  const Spread& spread) {
  ToneCurve::Table t;
  t.minutes = grid(step_minutes);
  for (const double m : t.minutes) {
    t.density.push_back(choice.fit.form.at(m));
    t.sd.push_back(choice.fit.unit_sd(m) * std::sqrt(spread.scale) * spread.factor);
  }
  make_usable(t);
  return t;
}

// The end of the useful range: where what is still to be gained up to the end of the ladder is lost
// in the noise of the last step or too little to see.
BiteTime useful_end(const ToneCurve& curve, const std::vector<WedgeStep>& kept, Notes& notes) {
  const BiteTime end = kept.back().time;
  const WedgeStep& before = kept[kept.size() - 2];
  const double visible = visible_step(kept.back().density).value();
  const double last_gain = (curve.at(end) - curve.at(before.time)).value();
  const double noise = std::hypot(before.sd, kept.back().sd);
  if (last_gain >= std::clamp(ToneCurve::z90 * noise, 0.5 * visible, visible)) return end;
  const double worth = std::clamp(noise, visible / 4, visible / 2);
  const Density enough = curve.at(end) - ToneGap::of(worth);
  if (enough <= curve.lightest()) return end;
  const auto t = curve.time_for(enough);
  assert(t);
  const BiteTime useful = BiteTime::seconds(std::ceil(t->in_seconds()));
  if (useful >= end) return end;
  notes.push_back(fmt::format(
      "No further gain after about {}: from there to {} the curve rises by only {:.3f} D, less than "
      "the wedge can tell or the eye sees.",
      clock_text(useful),
      clock_text(end),
      (curve.at(end) - curve.at(useful)).value()));
  const WedgeStep& darkest = *std::ranges::max_element(kept, {}, &WedgeStep::density);
  if (const double fall = (darkest.density - kept.back().density).value(); fall >= visible) {
    notes.push_back(fmt::format(
        "The last step prints {:.2f} D lighter than that of {}: it may be over-bitten already. This "
        "wedge cannot tell it from wiping; further prints of it can.",
        fall,
        clock_text(darkest.time)));
  }
  return useful;
}

Result<std::vector<WedgeStep>> usable_steps(const std::vector<WedgeStep>& steps) {
  if (steps.size() < 3) {
    return refuse(
        ProblemKind::data,
        fmt::format("The wedge has {} steps, a tone curve needs at least 3.", steps.size()),
        "Bite a wedge of 5 to 9 steps, one of them unbitten.");
  }
  if (steps.size() > 30) {
    return refuse(ProblemKind::data,
                  fmt::format("The wedge has {} steps, more than 30.", steps.size()),
                  "Give 30 of them at most; 5 to 9 are enough.");
  }
  std::vector<WedgeStep> out = steps;
  const bool no_sd = std::all_of(out.begin(), out.end(), [](auto& s) { return s.sd <= 0; });
  for (std::size_t i = 0; i < out.size(); ++i) {
    WedgeStep& s = out[i];
    if (!(std::fabs(s.density.value()) < densest) || !std::isfinite(s.sd)) {
      return refuse(ProblemKind::data,
                    fmt::format("The step of {} could not be measured.", clock_text(s.time)),
                    "Scan the whole wedge again, with paper showing all round.");
    }
    if (!(s.time.in_minutes() >= 0) || !std::isfinite(s.time.in_minutes())) {
      return refuse(ProblemKind::data,
                    fmt::format("The time of step {} is no time of 0 or more.", i + 1),
                    "Give each step its total time in the bath, as 0s or 2min30s.");
    }
    if (i > 0 && s.time <= out[i - 1].time) {
      return refuse(ProblemKind::data,
                    fmt::format("Two steps have the times {} and {}, which do not rise.",
                                clock_text(out[i - 1].time),
                                clock_text(s.time)),
                    "Give each step its own total time, or use --dips for successive dips.");
    }
    s.sd = no_sd ? 1.0 : std::max(s.sd, sd_floor);
    s.wiping_sd = std::clamp(s.wiping_sd, 0.0, s.sd);
  }
  return out;
}

std::vector<std::pair<std::string, double>> parameters_of(const SaturatingForm& f) {
  return {{"d0", f.d0},
          {"d1", f.d1},
          {"tau_minutes", f.tau},
          {"beta", f.beta},
          {"latent_minutes", f.latent}};
}

// Where no sd is told: that of the scatter about the form, and at least what a print usually shows.
void give_spread(std::vector<WedgeStep>& steps, const StepPlaces& places) {
  const Ladder l = ladder_of(steps, places);
  SaturatingOptions o;
  o.fit_beta = steps.size() >= 5;
  const SaturatingFit fit = fit_saturating(l.minutes, l.density, l.covariance, o);
  double unit = usual_print_sd;
  if (fit.usable() && fit.degrees_of_freedom > 0) {
    unit = std::max(unit, std::sqrt(fit.chi2 / fit.degrees_of_freedom));
  }
  for (WedgeStep& s : steps) s.sd *= unit;
}

// Bare metal and blacks alone leave open when the tone came: any fast curve runs through them, and
// its minutes would be made up.
Result<void> check_grey_steps(const std::vector<WedgeStep>& kept,
                              const std::vector<double>& rising) {
  const std::size_t first = kept.front().time.in_minutes() > 0 ? 0 : 1;
  const double rise = rising.back() - rising[first];
  if (rise >= visible_step(kept.back().density).value()) return {};
  return refuse(ProblemKind::data,
                fmt::format("Every bitten step of the wedge is as dark as the last: from {} to {} the "
                            "tone rises by {:.3f} D, less than the eye sees.",
                            step_text(kept[first]),
                            step_text(kept.back()),
                            rise),
                "The tone was full before the shortest time. Bite a wedge with shorter times, so "
                "that several steps stay grey.");
}

}  // namespace

Result<FittedCurve> fit_curve(const std::vector<WedgeStep>& steps, const FitOptions& options) {
  auto usable = usable_steps(steps);
  if (!usable) return std::unexpected(usable.error());
  FitOptions o = options;
  const bool no_sd = std::all_of(steps.begin(), steps.end(), [](auto& s) { return s.sd <= 0; });
  if (no_sd) {
    // A handful of steps beyond the parameters says little: what prints usually show counts as two.
    o.sd_degrees_of_freedom = 2;
    give_spread(*usable, o.places_mm);
  }
  auto order = check_order(*usable);
  if (!order) return std::unexpected(order.error());
  std::vector<WedgeStep> kept(usable->begin(),
                              usable->begin() + static_cast<std::ptrdiff_t>(order->kept));
  const double rise = order->rising.back() - order->rising.front();
  const double rise_noise = std::hypot(kept.front().sd, kept.back().sd);
  if (rise < 3 * rise_noise || rise < visible_step(kept.back().density).value()) {
    return refuse(
        ProblemKind::data,
        fmt::format("The wedge does not darken with time: from {} to {} the tone rises by "
                    "{:.3f} D, and its noise is {:.3f} D.",
                    step_text(kept.front()),
                    step_text(kept.back()),
                    rise,
                    rise_noise),
        "Check that this scan is a bitten step wedge and that the times belong to it.");
  }
  if (auto grey = check_grey_steps(kept, order->rising); !grey) {
    return std::unexpected(grey.error());
  }
  if (no_sd) {
    for (WedgeStep& s : kept) s.sd = usual_print_sd;
  }
  const Ladder l = ladder_of(kept, o.places_mm);
  FormChoice choice = choose_form(l, o);
  FitSummary summary;
  summary.chi2 = choice.fit.chi2;
  summary.degrees_of_freedom = choice.fit.degrees_of_freedom;
  summary.lack_of_fit_p =
      choice.fit.usable()
          ? lack_of_fit_p(choice.fit.chi2, choice.fit.degrees_of_freedom, o.sd_degrees_of_freedom)
          : 0;
  summary.notes = order->notes;
  const bool fits = choice.fit.usable() && summary.lack_of_fit_p >= o.lack_of_fit_level;
  summary.kind = fits ? CurveKind::saturating : CurveKind::monotone;
  ToneCurve::Table table;
  std::vector<std::pair<std::string, double>> parameters;
  if (fits) {
    summary.notes.insert(summary.notes.end(), choice.notes.begin(), choice.notes.end());
    table = saturating_table(
        choice, l.minutes, band_spread(choice.fit, kept, o.sd_degrees_of_freedom));
    parameters = parameters_of(choice.fit.form);
  } else {
    summary.notes.push_back(
        fmt::format("A plain saturating curve does not fit these steps (chance {:.2g}): the curve "
                    "goes from step "
                    "to step instead, and its band is wider between them.",
                    summary.lack_of_fit_p));
    table = monotone_table(kept, order->rising, grid(l.minutes), o.sd_degrees_of_freedom);
    make_usable(table);
  }
  const BiteTime end = kept.back().time;
  const ToneCurve whole(summary.kind, table, parameters, end);
  const BiteTime useful = useful_end(whole, kept, summary.notes);
  return FittedCurve{ToneCurve(summary.kind, std::move(table), std::move(parameters), useful),
                     std::move(summary)};
}

}  // namespace rebite::wedge
