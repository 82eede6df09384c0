#include "harness/metering/errors.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"

namespace dawnrig::metering {

Conversion::Conversion(const Chain& nominal, const profile::SenseChannel& channel,
                       const std::vector<SetPoint>& points) {
  if (profile::is_temperature(channel.quantity)) {
    const int quarters = static_cast<int>(4 * nominal.codes());
    quarters_.reserve(static_cast<std::size_t>(quarters) + 1);
    for (int i = 0; i <= quarters; ++i) quarters_.push_back(sensed_at(nominal, 0.25 * i, kRoomDegc));
    return;
  }
  const Demand demand{nominal, channel.averaged_codes, 0.001, points.front().at, points.back().at};
  line_ = best_line(demand, ideal_counts(demand), 32);
  if (!line_) {
    throw base::BadInput("channel '" + channel.name + "'",
                         "has no line of codes between its set points: does the network reach the pin?");
  }
}

double Conversion::at(double position_lsb) const {
  if (line_) return line_->mean_at(position_lsb);
  const double x = std::clamp(4 * position_lsb, 0.0, static_cast<double>(quarters_.size() - 1));
  const std::size_t i = std::min(static_cast<std::size_t>(x), quarters_.size() - 2);
  return quarters_[i] + (x - static_cast<double>(i)) * (quarters_[i + 1] - quarters_[i]);
}

Errors::Errors(const Uncertain& parts, const Conversion& conversion, const profile::SenseChannel& channel,
               const Budget& frame, double meter_frac)
    : parts_{parts},
      conversion_{conversion},
      frame_{frame},
      by_factor_{std::holds_alternative<plant::DividerParams>(channel.network.network)},
      meter_frac_{profile::is_temperature(channel.quantity) ? 0 : meter_frac},
      low_point_{frame.main == 0 ? frame.set_points.size() - 1 : 0} {}

double Errors::read(const Chain& chain, double sensed, double board_degc, double blur_lsb) const {
  // The lowest and the highest code are all that is read beyond the converter's range.
  const double at = position_lsb(chain, sensed, board_degc) + blur_lsb;
  return conversion_.at(std::clamp(at, 0.5, chain.codes() - 0.5));
}

void Errors::of(std::span<const double> z, CornerErrors& errors) const {
  const double blur_lsb = parts_.blur_lsb(z);
  const double meter = 1 + meter_frac_ * z[z.size() - 1];
  const Chain room = parts_.at(z, kRoomDegc);
  const double true_main = frame_.set_points[frame_.main].at;
  const double true_low = frame_.set_points[low_point_].at;
  const double read_main = read(room, true_main, kRoomDegc, 0);
  const double read_low = read(room, true_low, kRoomDegc, 0);
  const double slope = (true_main - true_low) * meter / (read_main - read_low);
  std::size_t corner = 0;
  for (const double degc : frame_.temperatures_degc) {
    const Chain chain = parts_.at(z, degc);
    for (const SetPoint& point : frame_.set_points) {
      const double reading = read(chain, point.at, degc, blur_lsb);
      errors[0][corner] = reading - point.at;
      errors[1][corner] =
          (by_factor_ ? reading * true_main * meter / read_main : reading + true_main * meter - read_main) - point.at;
      errors[2][corner] = true_main * meter + slope * (reading - read_main) - point.at;
      ++corner;
    }
  }
}

}  // namespace dawnrig::metering
