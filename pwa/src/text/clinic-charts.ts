/** Every sentence of the charts of the clinic. No clinical finding is ever named here. */
import type { ChartId } from '../state/clinic-charts';
import { lookUp, say, withMore, words } from './say';

const said = words('clinicCharts');

export const clinicCharts = withMore(said, {
  names: said.names satisfies Record<ChartId, string>,
  notes: said.notes satisfies Record<ChartId, string>,
  series: lookUp(said.series),
  outsideLine: (outside: { before: number; after: number; undated: number }) =>
    say('clinicCharts.outsideLine', { ...outside }),
  short: (count: number, weeks: string) => say('clinicCharts.short', { count, weeks }),
  /** The sums of a chart in one sentence, for whoever does not see it. */
  spoken: (id: ChartId, total: (column: string) => number, weeks: number): string => {
    if (id === 'due') {
      const [due, overdue] = [total('due'), total('overdue')];
      return say('clinicCharts.spoken.due', { due, overdue, weeks });
    }
    if (id === 'seen') {
      const [within, seen] = [total('within'), total('seen')];
      return say('clinicCharts.spoken.seen', { within, seen, weeks });
    }
    const [demand, capacity] = [total('demand'), total('capacity')];
    return say('clinicCharts.spoken.demand', { demand, capacity, weeks });
  },
});
