#include "harness/verdict/switching.h"

namespace dawnrig::verdict {
namespace {

constexpr double kHalf = 0.5;

Watching just(trace::Signal signal) {
  return Watching{.signal = signal};
}

bool holds(const Whole& whole) {
  return (whole.lowest > kHalf) == (whole.highest > kHalf);
}

std::optional<double> highest_of(const std::optional<Limit>& limit) {
  return limit ? limit->highest : std::nullopt;
}

}  // namespace

LastOn::LastOn(trace::Signal switch_signal, IfNeverOn if_never_on)
    : watched_{just(switch_signal)}, if_never_on_{if_never_on} {}

void LastOn::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    on_ = piece.to_value > kHalf;
    if (on_) last_on_ = piece.to;
  });
  if (on_) ++samples_on_;
}

void LastOn::on_stretch(const trace::Stretch& stretch) {
  const bool taken = watched_.take(stretch, [this](const Whole& whole) {
    if (!holds(whole)) return false;
    on_ = whole.end_value > kHalf;
    if (on_) {
      last_on_ = whole.to;
      samples_on_ += whole.values;
    }
    return true;
  });
  if (!taken) Monitor::on_stretch(stretch);
}

Figure LastOn::figure() const {
  Figure figure;
  figure.exercised = if_never_on_ == IfNeverOn::kVacuous ? samples_on_ : watched_.judged();
  figure.worst = last_on_.value_or(watched_.start());
  figure.value = in_seconds(figure.worst - watched_.start());
  if (on_) {
    figure.cut_off = true;
    figure.note = "it was still on when the watch ended";
  }
  return watched_.vouched(figure);
}

OnTime::OnTime(trace::Signal switch_signal, const std::optional<Limit>& limit)
    : watched_{just(switch_signal)}, limit_{highest_of(limit)} {}

void OnTime::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    if (piece.from_value <= kHalf) return;
    figure_.value += in_seconds(piece.to - piece.from);
    figure_.worst = piece.to;
    if (limit_ && figure_.value > *limit_ && !figure_.first_offence) {
      figure_.first_offence = Figure::Offence{piece.to, figure_.value};
    }
  });
}

void OnTime::on_stretch(const trace::Stretch& stretch) {
  const bool taken = watched_.take(stretch, [this](const Whole& whole) {
    if (!holds(whole)) return false;
    if (whole.end_value <= kHalf) return true;
    const double so_far = figure_.value + whole.duration_s;
    if (limit_ && so_far > *limit_ && !figure_.first_offence) return false;
    figure_.value = so_far;
    figure_.worst = whole.to;
    return true;
  });
  if (!taken) Monitor::on_stretch(stretch);
}

Toggles::Toggles(trace::Signal switch_signal, const std::optional<Limit>& limit)
    : watched_{just(switch_signal)}, limit_{highest_of(limit)} {}

void Toggles::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    if ((piece.from_value > kHalf) == (piece.to_value > kHalf)) return;
    figure_.value += 1;
    figure_.worst = piece.to;
    if (limit_ && figure_.value > *limit_ && !figure_.first_offence) {
      figure_.first_offence = Figure::Offence{piece.to, figure_.value};
    }
  });
}

void Toggles::on_stretch(const trace::Stretch& stretch) {
  if (!watched_.take(stretch, holds)) Monitor::on_stretch(stretch);
}

Figure Toggles::figure() const {
  Figure figure = watched_.over_judged(figure_);
  if (figure.value == 0) figure.worst = watched_.end();
  return figure;
}

ValueAtSwitching::ValueAtSwitching(const Watching& watching, trace::Signal switch_signal, Edge edge)
    : watched_{watching}, switch_{switch_signal}, edge_{edge} {}

void ValueAtSwitching::on_sample(const trace::Sample& sample) {
  const bool on = sample[switch_] > kHalf;
  const bool changed = was_on_ && *was_on_ != on && on == (edge_ == Edge::kOn);
  was_on_ = on;
  if (changed && latest_) {
    if (figure_.exercised == 0) {
      figure_.value = *latest_;
      figure_.worst = sample.time;
    }
    ++figure_.exercised;
  }
  watched_.feed(sample, [this](const Piece& piece) { latest_ = piece.to_value; });
}

void ValueAtSwitching::on_stretch(const trace::Stretch& stretch) {
  const bool switches = !trace::is_switch(switch_) || was_on_ != (stretch.end()[switch_] > kHalf);
  const auto is_latest = [this](const Whole& whole) {
    latest_ = whole.end_value;
    return true;
  };
  if (switches || !watched_.take(stretch, is_latest)) Monitor::on_stretch(stretch);
}

Figure ValueAtSwitching::figure() const {
  return watched_.vouched(figure_);
}

}  // namespace dawnrig::verdict
