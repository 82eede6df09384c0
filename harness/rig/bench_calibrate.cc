#include "harness/rig/bench_calibrate.h"

#include <algorithm>
#include <cmath>

#include "harness/base/bad_input.h"
#include "harness/base/text.h"
#include "harness/rig/bench_channels.h"

namespace dawnrig::rig {

namespace {

constexpr double kNominalSpanV = 5.0;
constexpr double kFarOffV = 0.25;  // as far as the board keeps a zero error
constexpr double kFullScale = 65535.0;
constexpr Nanos kPatience{2'000'000'000};
constexpr Nanos kStoring{5'000'000'000};
constexpr Nanos kBetweenTicks{5'000'000};
constexpr Nanos kSettling{100'000'000};
constexpr std::uint32_t kReadbackReference = 2'500'000;

std::string name_of(std::size_t channel, bool gate_on) {
  return std::string{link::channel_name(channel)} + (gate_on ? ", gate on" : ", gate off");
}

/// Gaussian elimination of a few normal equations, the largest pivot first.
template <std::size_t n>
std::array<double, n> solved(std::array<std::array<double, n + 1>, n> rows) {
  for (std::size_t i = 0; i < n; ++i) {
    std::size_t best = i;
    for (std::size_t r = i + 1; r < n; ++r) {
      if (std::abs(rows[r][i]) > std::abs(rows[best][i])) best = r;
    }
    std::swap(rows[i], rows[best]);
    for (std::size_t r = 0; r < n; ++r) {
      if (r == i) continue;
      const double by = rows[r][i] / rows[i][i];
      for (std::size_t c = i; c <= n; ++c) rows[r][c] -= by * rows[i][c];
    }
  }
  std::array<double, n> solution{};
  for (std::size_t i = 0; i < n; ++i) solution[i] = rows[i][n] / rows[i][i];
  return solution;
}

template <std::size_t n>
std::array<double, n> least_squares(const std::vector<MeterPoint>& points) {
  std::array<std::array<double, n + 1>, n> rows{};
  for (const MeterPoint& point : points) {
    const double x = point.code_lsb / kFullScale;
    const std::array<double, 3> base{1.0, x, 4.0 * x * (1.0 - x)};
    for (std::size_t r = 0; r < n; ++r) {
      for (std::size_t c = 0; c < n; ++c) rows[r][c] += base[r] * base[c];
      rows[r][n] += base[r] * point.measured_v;
    }
  }
  return solved<n>(rows);
}

std::int32_t in_uv(double v) {
  return static_cast<std::int32_t>(std::lround(1e6 * v));
}

/// Sums up what the board reads back of one channel while its output stands.
class Readback final : public link::Listener {
 public:
  explicit Readback(std::size_t channel) : input_{static_cast<std::uint32_t>(channel) + 1} {}
  void on_report(const link::TimedReport& timed) override {
    safe_cause = timed.report.safe_cause;
    applied_sequence = timed.report.applied_sequence;
    if (timed.report.readback_input == input_ && counting) {
      sum_lsb_ += timed.report.readback_lsb + 0.5;
      ++count_;
    }
  }
  void on_answer(const link::FromBoard& /*answer*/) override {}
  [[nodiscard]] double mean_lsb() const { return count_ == 0 ? -1.0 : sum_lsb_ / count_; }
  bool counting{false};
  std::uint32_t safe_cause{0};
  std::optional<std::uint32_t> applied_sequence;  // of the tick whose levels stand at the board

 private:
  std::uint32_t input_;
  double sum_lsb_{0};
  int count_{0};
};

/// Of sequence numbers, which count modulo 65536.
bool lies_between(std::uint16_t first, std::uint32_t one, std::uint16_t last) {
  return static_cast<std::int16_t>(one - first) >= 0 && static_cast<std::int16_t>(last - one) >= 0;
}

/// Sets one level and keeps the board company until it stands there and the meter was read.
class Setter {
 public:
  Setter(link::Session& session, link::Clock& clock) : session_{session}, clock_{clock} {}

  double measured(const CalibrationStep& step, std::uint16_t code_lsb, const MeterReader& read_meter,
                  Readback& readback) {
    link::Tick tick;
    tick.levels.emplace();
    (*tick.levels)[step.channel] = {code_lsb, code_lsb};
    tick.lines = link::line::kOutputs | link::line::kSupply;
    const Nanos begin = clock_.now();
    std::optional<std::uint16_t> first_sequence;
    std::optional<Nanos> stands_since;
    for (;;) {
      const Nanos now = clock_.now();
      if (!session_.pump(now, readback)) {
        throw base::RunFault("the line to the interface board is gone; look at its cable");
      }
      if (readback.safe_cause != 0 && now - begin > kSettling) {
        throw base::RunFault("the interface board went into its safe state: " +
                             std::string{link::safe_cause_text(readback.safe_cause)});
      }
      tick.hold_from_ticks = link::counter_at(session_.clock().board_at(now));
      if (session_.send_tick(tick, now) && !first_sequence) first_sequence = session_.last_sequence();
      if (!stands_since && first_sequence && readback.applied_sequence &&
          lies_between(*first_sequence, *readback.applied_sequence, session_.last_sequence())) {
        stands_since = now;
      }
      if (!stands_since && now - begin > kPatience) {
        throw base::RunFault("the interface board does not take levels over; take its supply away and give it back");
      }
      readback.counting = stands_since && now - *stands_since > kSettling;
      if (stands_since && now - *stands_since > 2 * kSettling) {
        if (const auto v = read_meter(step)) return *v;
      }
      clock_.sleep_until(now + kBetweenTicks);
    }
  }

 private:
  link::Session& session_;
  link::Clock& clock_;
};

link::ReadbackCalibration fitted_readback(const std::vector<std::pair<double, double>>& lsb_and_v) {
  double n = 0;
  double sx = 0;
  double sy = 0;
  double sxx = 0;
  double sxy = 0;
  for (const auto& [lsb, v] : lsb_and_v) {
    const double x = lsb / 1024.0;
    n += 1;
    sx += x;
    sy += v;
    sxx += x * x;
    sxy += x * v;
  }
  const double spread = n * sxx - sx * sx;
  if (n < 2 || spread <= 0) return {0, 2 * kReadbackReference};
  const double span_v = (n * sxy - sx * sy) / spread;
  return {in_uv((sy - span_v * sx) / n), static_cast<std::uint32_t>(std::max(1L, std::lround(1e6 * span_v)))};
}

link::Configure plain_configuration() {
  link::Configure configure;
  configure.connected_channels = 0xF;
  configure.two_level_channels = 0xF;
  return configure;
}

}  // namespace

OutputFit fit_output(const std::string& name, const std::vector<MeterPoint>& points) {
  if (points.size() < 2) throw base::BadInput(name, "needs two points at the least");
  for (const MeterPoint& point : points) {
    const double set_v = kNominalSpanV * point.code_lsb / kFullScale;
    if (!(std::abs(point.measured_v - set_v) <= kFarOffV)) {
      throw base::BadInput(name, "was set to about " + base::number_text(set_v, 3) + " V and read as " +
                                     base::number_text(point.measured_v, 4) +
                                     " V; is the meter on this output, and nothing else?");
    }
  }
  OutputFit fit;
  if (points.size() >= 4) {
    const auto [zero_v, span_v, bow_v] = least_squares<3>(points);
    fit.output = {in_uv(zero_v), static_cast<std::uint32_t>(in_uv(span_v)), in_uv(bow_v)};
  } else {
    const auto [zero_v, span_v] = least_squares<2>(points);
    fit.output = {in_uv(zero_v), static_cast<std::uint32_t>(in_uv(span_v)), 0};
  }
  for (const MeterPoint& point : points) {
    fit.residual_v = std::max(fit.residual_v, std::abs(output_v(fit.output, point.code_lsb) - point.measured_v));
  }
  return fit;
}

std::uint32_t combined_uncertainty_uv(double meter_uncertainty_v, double worst_residual_v, double step_v) {
  const double u_v = std::sqrt(meter_uncertainty_v * meter_uncertainty_v + worst_residual_v * worst_residual_v +
                               0.25 * step_v * step_v);
  return static_cast<std::uint32_t>(std::ceil(1e6 * u_v));
}

CalibrationOutcome calibrate(link::Session& session, link::Clock& clock, const CalibrationPlan& plan,
                             const GateJoiner& join_gate, const MeterReader& read_meter) {
  CalibrationOutcome outcome;
  link::Calibration& found = outcome.stored;
  found.serial_number = plan.serial_number;
  found.calibrated_day = plan.today;
  found.board_mdegc = plan.board_mdegc;
  found.valid = true;
  std::array<std::vector<std::pair<double, double>>, link::kChannels> readbacks;
  Setter setter{session, clock};
  double worst_v = 0;
  for (const bool gate_on : {false, true}) {
    join_gate(gate_on);
    const auto configured = link::ask<link::Configured>(session, clock, plain_configuration(), kPatience);
    if (!configured || !configured->accepted) {
      throw base::RunFault("the interface board did not take its configuration; take its supply away and give it back");
    }
    for (std::size_t c = 0; c < link::kChannels; ++c) {
      std::vector<MeterPoint> points;
      for (int p = 0; p < plan.points; ++p) {
        const double share_frac = 0.05 + 0.9 * p / (plan.points - 1);
        const auto code = static_cast<std::uint16_t>(std::lround(kFullScale * share_frac));
        Readback readback{c};
        const CalibrationStep step{c, gate_on, p + 1, plan.points, kNominalSpanV * share_frac};
        points.push_back({code, setter.measured(step, code, read_meter, readback)});
        if (readback.mean_lsb() >= 0) readbacks[c].emplace_back(readback.mean_lsb(), points.back().measured_v);
      }
      const std::size_t output = 2 * c + (gate_on ? 1U : 0U);
      const OutputFit fit = fit_output(name_of(c, gate_on), points);
      found.output[output] = fit.output;
      outcome.residual_v[output] = fit.residual_v;
      worst_v = std::max(worst_v, fit.residual_v);
    }
  }
  for (std::size_t c = 0; c < link::kChannels; ++c) found.readback[c] = fitted_readback(readbacks[c]);
  found.readback[4] = {0, 4 * kReadbackReference};
  found.readback[5] = {0, 2 * kReadbackReference};
  found.uncertainty_uv = combined_uncertainty_uv(plan.meter_uncertainty_v, worst_v, kNominalSpanV / kFullScale);
  session.send(link::Ask{link::Question::kSafe});
  const auto stored = link::ask<link::Calibration>(session, clock, found, kStoring, kStoring);
  if (!stored || !stored->valid || stored->serial_number != found.serial_number) {
    throw base::RunFault("the interface board did not keep its calibration");
  }
  outcome.stored = *stored;
  return outcome;
}

}  // namespace dawnrig::rig
