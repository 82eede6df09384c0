#include "harness/verdict/durations.h"

#include <algorithm>

namespace dawnrig::verdict {

TimeBeyond::TimeBeyond(const Watching& watching, Side side, double value)
    : watched_{watching},
      sign_{side == Side::kAbove ? 1.0 : -1.0},
      level_{value},
      limit_{watching.limit ? watching.limit->highest : std::nullopt} {}

void TimeBeyond::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    const double from = sign_ * (piece.from_value - level_);
    const double to = sign_ * (piece.to_value - level_);
    figure_.value += share_above_zero(from, to) * in_seconds(piece.to - piece.from);
    if (to > farthest_) {
      farthest_ = to;
      figure_.worst = piece.to;
    }
    if (limit_ && figure_.value > *limit_ && !figure_.first_offence) {
      figure_.first_offence = Figure::Offence{piece.to, figure_.value};
    }
  });
}

void TimeBeyond::on_stretch(const trace::Stretch& stretch) {
  const bool taken = watched_.take(stretch, [this](const Whole& whole) {
    const double far = sign_ * ((sign_ > 0 ? whole.highest : whole.lowest) - level_);
    const double near = sign_ * ((sign_ > 0 ? whole.lowest : whole.highest) - level_);
    if (far <= 0) return true;
    const double so_far = figure_.value + whole.duration_s;
    const bool offends = limit_ && so_far > *limit_ && !figure_.first_offence;
    if (!(near > 0) || far > farthest_ || offends) return false;
    figure_.value = so_far;
    return true;
  });
  if (!taken) Monitor::on_stretch(stretch);
}

Figure TimeBeyond::figure() const {
  Figure figure = watched_.over_judged(figure_);
  if (farthest_ == 0) figure.worst = watched_.end();
  figure.lines = {watched_.line(sign_ > 0 ? "timed above" : "timed below", level_)};
  return figure;
}

SettlingTime::SettlingTime(const Watching& watching, double lowest, double highest)
    : watched_{watching}, lowest_{lowest}, highest_{highest} {}

void SettlingTime::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    const auto inside = [this](double value) { return value >= lowest_ && value <= highest_; };
    inside_ = inside(piece.to_value);
    if (!inside_) {
      last_outside_ = piece.to;
    } else if (!inside(piece.from_value)) {
      last_outside_ = piece.crossing(piece.from_value > highest_ ? highest_ : lowest_);
    }
  });
}

void SettlingTime::on_stretch(const trace::Stretch& stretch) {
  const bool taken = watched_.take(stretch, [this](const Whole& whole) {
    const bool all_inside = whole.lowest >= lowest_ && whole.highest <= highest_;
    const bool all_outside = whole.highest < lowest_ || whole.lowest > highest_;
    if (!all_inside && !all_outside) return false;
    inside_ = all_inside;
    if (all_outside) last_outside_ = whole.to;
    return true;
  });
  if (!taken) Monitor::on_stretch(stretch);
}

Figure SettlingTime::figure() const {
  Figure figure;
  if (watched_.judged() > 0 && inside_) {
    figure.worst = last_outside_.value_or(watched_.start());
    figure.value = in_seconds(figure.worst - watched_.start());
  } else {
    figure.worst = watched_.end();
    figure.value = watched_.duration_s();
    figure.cut_off = true;
    figure.note = "it had not settled when the watch ended";
  }
  figure.lines = {watched_.line("settled above", lowest_), watched_.line("settled below", highest_)};
  figure.exercised = watched_.judged();
  return watched_.vouched(figure);
}

FirstCrossing::FirstCrossing(const Watching& watching, Side side, double value, IfNever if_never)
    : watched_{watching}, side_{side}, level_{value}, if_never_{if_never} {}

void FirstCrossing::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    if (crossed_) return;
    const auto beyond = [this](double value) { return side_ == Side::kAbove ? value > level_ : value < level_; };
    // A window's mean is known at its end only.
    if (beyond(piece.to_value)) crossed_ = watched_.averages() ? piece.to : piece.crossing(level_);
  });
}

void FirstCrossing::on_stretch(const trace::Stretch& stretch) {
  const auto is_no_news = [this](const Whole& whole) {
    return crossed_ || (side_ == Side::kAbove ? whole.highest <= level_ : whole.lowest >= level_);
  };
  if (!watched_.take(stretch, is_no_news)) Monitor::on_stretch(stretch);
}

Figure FirstCrossing::figure() const {
  Figure figure;
  figure.lines = {watched_.line(side_ == Side::kAbove ? "timed until above" : "timed until below", level_)};
  if (crossed_) {
    figure.worst = *crossed_;
    figure.value = in_seconds(*crossed_ - watched_.start());
    figure.exercised = 1;
    return watched_.vouched(figure);
  }
  figure.worst = watched_.end();
  figure.value = watched_.duration_s();
  figure.cut_off = true;
  figure.note = "it had not happened when the watch ended";
  figure.exercised = if_never_ == IfNever::kVacuous ? 0 : watched_.judged();
  return watched_.vouched(figure);
}

}  // namespace dawnrig::verdict
