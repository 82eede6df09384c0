#include <cmath>
#include <map>

#include "harness/profile/panel_reading.h"
#include "harness/profile/profile.h"
#include "harness/profile/reading.h"
#include "proto/site.pb.h"

namespace dawnrig::profile {
namespace {

std::optional<plant::FuseParams> fuse_params(bool fitted, const proto::Fuse& written) {
  if (!fitted) return std::nullopt;
  return plant::FuseParams{written.carries_a().value(), written.melting_a2s().value(), written.cold_ohm().value()};
}

void judge_site(const proto::SiteProfile& written, const SiteProfile& site, Judge& judge) {
  plant::Problems panel;
  site.panel.check(panel);
  plant::Problems cells;
  plant::Problems around;
  for (const plant::Problem& problem : panel.list()) {
    (problem.field == "noct_degc" || problem.field.starts_with("faiman") ? around : cells)
        .add(problem.field, problem.message);
  }
  judge.pass_on(cells, site.array ? "panel.datasheet" : "panel.single_diode");
  judge.pass_on(around, "panel");
  judge_battery(written.battery(), site, judge);
  std::map<std::string, std::size_t, std::less<>> names;
  for (std::size_t i = 0; i < site.loads.size(); ++i) {
    plant::Problems load;
    site.loads[i].params.check(load);
    judge.pass_on(load, load_path(i));
    const auto [first, is_new] = names.emplace(site.loads[i].name, i);
    if (!is_new && judge.trusts(load_path(i) + ".name")) {
      judge.complain(load_path(i) + ".name",
                     "is \"" + site.loads[i].name + "\", the name of " + load_path(first->second));
    }
  }
}

}  // namespace

SiteProfile load_site(const std::filesystem::path& file) {
  proto::SiteProfile written;
  base::TextprotoFile read = base::read_textproto(file, written);
  SiteProfile site;
  site.file = read.file;
  site.sha256 = read.sha256;
  site.name = written.name();
  ReadPanel panel = panel_of(written.panel());
  site.panel = panel.whole;
  site.array = panel.array;
  site.battery = battery_params(written.battery());
  site.panel_cable_ohm = written.wiring().panel_cable_ohm().value();
  site.battery_cable_ohm = written.wiring().battery_cable_ohm().value();
  site.cable_per_k = written.wiring().cable_per_k().value();
  site.battery_fuse = fuse_params(written.wiring().has_battery_fuse(), written.wiring().battery_fuse());
  site.panel_fuse = fuse_params(written.wiring().has_panel_fuse(), written.wiring().panel_fuse());
  for (const proto::Load& load : written.load()) {
    site.loads.push_back({load.name(), load_params(load), load.on_at_start()});
  }
  site.ambient_degc = value(written.has_ambient_degc(), written.ambient_degc()).value_or(25);
  site.highest_level = base::energy_level_of(written.highest_level());

  Judge judge(read.complaints);
  std::vector<base::Complaint> of_series = read_load_series_files(written, site, judge);
  judge_loads(written, judge);
  judge.pass_on(panel.of_datasheet, "panel.datasheet");
  judge_site(written, site, judge);
  if (!of_series.empty()) {
    std::vector<base::Complaint> all = read.complaints.sorted();
    all.insert(all.end(), of_series.begin(), of_series.end());
    throw base::BadInput(std::move(all));
  }
  read.complaints.throw_if_any();
  return site;
}

}  // namespace dawnrig::profile
