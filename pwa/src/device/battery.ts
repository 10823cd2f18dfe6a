/** How full the battery is, where the browser tells. */
import type { BatteryReading } from '../state/device-facts.svelte';

/** The part of the Battery Status API that is read; the DOM types do not know it. */
interface BatteryManager extends EventTarget {
  readonly level: number;
  readonly charging: boolean;
}

/** Tell the battery now and at each change; null once where the browser does not tell it. */
export async function watchBattery(
  listener: (reading: BatteryReading | null) => void,
): Promise<void> {
  const { getBattery } = navigator as { getBattery?: () => Promise<BatteryManager> };
  try {
    if (getBattery === undefined) throw new Error('not told');
    const battery = await getBattery.call(navigator);
    const tell = () =>
      listener({ perCent: Math.round(battery.level * 100), isCharging: battery.charging });
    battery.addEventListener('levelchange', tell);
    battery.addEventListener('chargingchange', tell);
    tell();
  } catch {
    listener(null);
  }
}
