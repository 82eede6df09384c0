#include "harness/verdict/levels.h"

#include <algorithm>

namespace dawnrig::verdict {
namespace {

std::optional<double> highest_of(const Watching& watching) {
  return watching.limit ? watching.limit->highest : std::nullopt;
}

std::optional<double> lowest_of(const Watching& watching) {
  return watching.limit ? watching.limit->lowest : std::nullopt;
}

Watching unaveraged(Watching watching) {
  watching.average_over = Nanos{0};
  return watching;
}

double margin_of(const Limit& limit, double value) {
  double margin = std::numeric_limits<double>::infinity();
  if (limit.lowest) margin = std::min(margin, value - *limit.lowest);
  if (limit.highest) margin = std::min(margin, *limit.highest - value);
  return margin;
}

void note_offence(Figure& figure, bool offends, Nanos time, double value) {
  if (offends && !figure.first_offence) figure.first_offence = Figure::Offence{time, value};
}

}  // namespace

Mean::Mean(const Watching& watching) : watched_{unaveraged(watching)} {}

void Mean::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    integral_ += 0.5 * (piece.from_value + piece.to_value) * in_seconds(piece.to - piece.from);
  });
}

void Mean::on_stretch(const trace::Stretch& stretch) {
  const bool taken = watched_.take(stretch, [this](const Whole& whole) {
    integral_ += whole.mean * whole.duration_s;
    return true;
  });
  if (!taken) Monitor::on_stretch(stretch);
}

Figure Mean::figure() const {
  Figure figure;
  figure.worst = watched_.end();
  const double duration_s = watched_.duration_s();
  if (duration_s > 0) {
    figure.value = integral_ / duration_s;
    figure.exercised = watched_.judged();
  }
  return watched_.as_level(figure);
}

Highest::Highest(const Watching& watching) : watched_{watching}, limit_{highest_of(watching)} {
  figure_.value = -std::numeric_limits<double>::infinity();
}

void Highest::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    if (piece.to_value > figure_.value) {
      figure_.value = piece.to_value;
      figure_.worst = piece.to;
    }
    note_offence(figure_, limit_ && piece.to_value > *limit_, piece.to, piece.to_value);
  });
}

// Offences were noted with the extreme that has not been passed since.
void Highest::on_stretch(const trace::Stretch& stretch) {
  const auto is_no_news = [this](const Whole& whole) { return whole.highest <= figure_.value; };
  if (!watched_.take(stretch, is_no_news)) Monitor::on_stretch(stretch);
}

Lowest::Lowest(const Watching& watching) : watched_{watching}, limit_{lowest_of(watching)} {
  figure_.value = std::numeric_limits<double>::infinity();
}

void Lowest::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    if (piece.to_value < figure_.value) {
      figure_.value = piece.to_value;
      figure_.worst = piece.to;
    }
    note_offence(figure_, limit_ && piece.to_value < *limit_, piece.to, piece.to_value);
  });
}

void Lowest::on_stretch(const trace::Stretch& stretch) {
  const auto is_no_news = [this](const Whole& whole) { return whole.lowest >= figure_.value; };
  if (!watched_.take(stretch, is_no_news)) Monitor::on_stretch(stretch);
}

WorstWithin::WorstWithin(const Watching& watching) : watched_{watching}, limit_{watching.limit.value_or(Limit{})} {}

void WorstWithin::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    const double margin = margin_of(limit_, piece.to_value);
    if (margin < margin_ || std::isinf(margin)) {
      margin_ = margin;
      figure_.value = piece.to_value;
      figure_.worst = piece.to;
    }
    note_offence(figure_, margin < 0, piece.to, piece.to_value);
  });
}

void WorstWithin::on_stretch(const trace::Stretch& stretch) {
  const auto is_no_news = [this](const Whole& whole) {
    const double margin = std::min(margin_of(limit_, whole.lowest), margin_of(limit_, whole.highest));
    return margin >= margin_ && !std::isinf(margin);
  };
  if (!watched_.take(stretch, is_no_news)) Monitor::on_stretch(stretch);
}

PeakToPeak::PeakToPeak(const Watching& watching) : watched_{watching}, limit_{highest_of(watching)} {}

void PeakToPeak::on_sample(const trace::Sample& sample) {
  watched_.feed(sample, [this](const Piece& piece) {
    if (!started_) {
      started_ = true;
      lowest_ = highest_ = piece.to_value;
      figure_.worst = piece.to;
    } else if (piece.to_value > highest_ || piece.to_value < lowest_) {
      lowest_ = std::min(lowest_, piece.to_value);
      highest_ = std::max(highest_, piece.to_value);
      figure_.worst = piece.to;
    }
    figure_.value = highest_ - lowest_;
    note_offence(figure_, limit_ && figure_.value > *limit_, figure_.worst, figure_.value);
  });
}

void PeakToPeak::on_stretch(const trace::Stretch& stretch) {
  const auto is_no_news = [this](const Whole& whole) { return whole.lowest >= lowest_ && whole.highest <= highest_; };
  if (!started_ || !watched_.take(stretch, is_no_news)) Monitor::on_stretch(stretch);
}

Figure PeakToPeak::figure() const {
  Figure figure = watched_.over_judged(figure_);
  if (figure.exercised == 1) figure.exercised = 0;
  return figure;
}

}  // namespace dawnrig::verdict
