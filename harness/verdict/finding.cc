#include "harness/verdict/finding.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "harness/verdict/wording.h"

namespace dawnrig::verdict {
namespace {

/// The end of the limit that is nearest to the value, or most exceeded by it.
struct NearestEnd {
  double bound{0};
  double margin{std::numeric_limits<double>::infinity()};
  bool is_highest{false};
};

NearestEnd nearest_end(const Limit& limit, double value) {
  NearestEnd nearest;
  if (limit.lowest) nearest = {*limit.lowest, value - *limit.lowest, false};
  if (limit.highest && *limit.highest - value < nearest.margin) {
    nearest = {*limit.highest, *limit.highest - value, true};
  }
  return nearest;
}

std::string and_note(const Figure& figure) {
  return figure.note.empty() ? "" : "; " + figure.note;
}

std::string pass_reason(const Finding& f, const NearestEnd& end) {
  const int decimals = decimals_to_tell_apart(f.figure.value, end.bound, decimals_for(f.limit.tolerance));
  const std::string measured = "the " + f.measured_as + " was " + with_unit(f.figure.value, f.limit.unit, decimals);
  const std::string bound = "the limit of " + with_unit(end.bound, f.limit.unit, decimals);
  if (end.margin == 0) return measured + ", at " + bound + and_note(f.figure);
  return measured + ", " + with_unit(end.margin, f.limit.unit, decimals) + (end.is_highest ? " below " : " above ") +
         bound + and_note(f.figure);
}

std::string breach(double value, const Limit& limit) {
  const NearestEnd end = nearest_end(limit, value);
  const int decimals = decimals_to_tell_apart(value, end.bound, decimals_for(limit.tolerance));
  return with_unit(value, limit.unit, decimals) + (end.is_highest ? ", above" : ", below") + " the limit of " +
         with_unit(end.bound, limit.unit, decimals);
}

std::string fail_reason(const Finding& f) {
  const auto& offence = f.figure.first_offence;
  if (!offence || nearest_end(f.limit, offence->value).margin >= 0) {
    return "the " + f.measured_as + " was " + (f.figure.cut_off ? "at least " : "") + breach(f.figure.value, f.limit) +
           and_note(f.figure);
  }
  std::string reason =
      "at " + printed_time(offence->time) + " the " + f.measured_as + " was " + breach(offence->value, f.limit);
  if (offence->value != f.figure.value) {
    const int decimals = decimals_to_tell_apart(offence->value, f.figure.value, decimals_for(f.limit.tolerance));
    reason += "; at worst " + with_unit(f.figure.value, f.limit.unit, decimals);
    if (offence->time != f.figure.worst) reason += " at " + printed_time(f.figure.worst);
  }
  return reason + and_note(f.figure);
}

/// Verdict and reason where the figure itself cannot be held against the limit.
bool settled_without_figure(Finding& f, const std::string& invalid_because) {
  if (!invalid_because.empty()) {
    f.verdict = Verdict::kInvalid;
    f.reason = invalid_because;
  } else if (!std::isfinite(f.figure.value)) {
    f.verdict = Verdict::kInvalid;
    f.reason = "the " + f.measured_as + " is not a number";
  } else if (!f.limit.lowest && !f.limit.highest) {
    f.verdict = Verdict::kInvalid;
    f.reason = "the requirement gives neither a lowest nor a highest value";
  } else if (f.figure.exercised <= 0) {
    f.verdict = Verdict::kVacuous;
    f.reason = "what the requirement speaks of never happened, so there is no " + f.measured_as + and_note(f.figure);
  } else {
    return false;
  }
  return true;
}

}  // namespace

Limit limit_of(const profile::Requirement& requirement, double nominal_v) {
  const double scale = requirement.per_12v ? nominal_v / 12 : 1;
  Limit limit;
  if (requirement.lowest) limit.lowest = *requirement.lowest * scale;
  if (requirement.highest) limit.highest = *requirement.highest * scale;
  limit.unit = requirement.unit;
  limit.tolerance = requirement.tolerance * scale;
  return limit;
}

std::string_view text_of(Verdict verdict) {
  switch (verdict) {
    case Verdict::kPass:
      return "PASS";
    case Verdict::kFail:
      return "FAIL";
    case Verdict::kInvalid:
      return "INVALID";
    case Verdict::kVacuous:
      return "VACUOUS";
  }
  return "INVALID";
}

Finding judge(const profile::Requirement& requirement, const Limit& limit, const Figure& figure,
              std::string measured_as, const std::string& invalid_because) {
  Finding f;
  f.requirement = requirement;
  f.limit = limit;
  f.figure = figure;
  f.measured_as = std::move(measured_as);
  if (std::isfinite(figure.value) && figure.exercised > 0 && (limit.lowest || limit.highest)) {
    f.margin = nearest_end(limit, figure.value).margin;
    f.margin_in_tolerances = limit.tolerance > 0 ? f.margin / limit.tolerance : 0;
  }
  if (settled_without_figure(f, invalid_because)) return f;
  if (f.margin < 0) {
    f.verdict = Verdict::kFail;
    f.reason = fail_reason(f);
  } else if (figure.cut_off && limit.highest) {
    f.verdict = Verdict::kVacuous;
    f.reason = "the watch of " + printed_time(from_seconds(figure.value)) + " was too short for a limit of " +
               with_unit(*limit.highest, limit.unit, decimals_for(limit.tolerance)) + and_note(figure);
  } else {
    f.verdict = Verdict::kPass;
    f.reason = pass_reason(f, nearest_end(limit, figure.value));
  }
  return f;
}

Limit guarded(Limit limit, double uncertainty_v) {
  const double in_unit = limit.unit == "V" ? uncertainty_v : limit.unit == "mV" ? 1e3 * uncertainty_v : 0.0;
  if (limit.lowest) *limit.lowest += in_unit;
  if (limit.highest) *limit.highest -= in_unit;
  return limit;
}

}  // namespace dawnrig::verdict
