/** What the browser tells of this tablet: battery, storage, key, installing. */
import type { Facts } from '../clinical-rules/gate-facts';
import type { ExchangeStanding } from '../ports';

export interface BatteryReading {
  /** Whole per cent. */
  perCent: number;
  isCharging: boolean;
}

/** `by-hand`: a browser that installs from its own share menu alone. */
export type Installing = 'installed' | 'can-ask' | 'by-hand' | 'not-offered';

/** The browser, as far as it tells of its tablet. */
export interface DevicePort {
  /** Tell the battery now and at each change; null once where it is not told. */
  watchBattery(listener: (reading: BatteryReading | null) => void): void;
  /** Ask the browser to keep the storage; false where it refuses or cannot be asked. */
  askForPersistence(): Promise<boolean>;
  /** Bytes free for this app, null where the browser does not tell. */
  readFreeBytes(): Promise<number | null>;
  /** Whether this tablet has the key that it signs with. */
  hasKey(): Promise<boolean>;
  installing(): Installing;
  askToInstall(): Promise<void>;
  onInstalling(listener: () => void): void;
}

export class DeviceFacts {
  readonly #port: DevicePort;
  /** Undefined until the browser has answered, null where it does not tell. */
  battery = $state.raw<BatteryReading | null | undefined>(undefined);
  isPersisted = $state<boolean | null>(null);
  /** The browser was asked on this place, and did not promise. */
  isPersistenceRefused = $state(false);
  freeBytes = $state<number | null | undefined>(undefined);
  hasKey = $state<boolean | null>(null);
  installing = $state<Installing>('not-offered');

  constructor(port: DevicePort, isPersisted: boolean) {
    this.#port = port;
    this.isPersisted = isPersisted;
    this.installing = port.installing();
    port.watchBattery((reading) => {
      this.battery = reading;
    });
    port.onInstalling(() => {
      this.installing = port.installing();
    });
  }

  /** Read again what changes without being told. */
  async readAgain(): Promise<void> {
    this.installing = this.#port.installing();
    [this.freeBytes, this.hasKey] = await Promise.all([
      this.#port.readFreeBytes(),
      this.#port.hasKey(),
    ]);
  }

  async askForPersistence(): Promise<void> {
    this.isPersisted = await this.#port.askForPersistence();
    this.isPersistenceRefused = !this.isPersisted;
  }

  async askToInstall(): Promise<void> {
    await this.#port.askToInstall();
    this.installing = this.#port.installing();
  }
}

/**
 * Return the facts of the tablet that gates look at (SOFT-07 to SOFT-10); what is not known is left
 * out, and raises nothing.
 */
export function factsOfTablet(
  device: Pick<DeviceFacts, 'battery' | 'isPersisted'>,
  exchange: ExchangeStanding,
  nowMs: number,
): Facts {
  const { battery, isPersisted } = device;
  const { unsent, oldestUnsentMs, clockOffsetMs } = exchange;
  return {
    ...(oldestUnsentMs === null
      ? {}
      : { unsent_count: unsent, oldest_unsent_ms: Math.max(0, nowMs - oldestUnsentMs) }),
    ...(typeof clockOffsetMs === 'number' ? { clock_offset_ms: clockOffsetMs } : {}),
    ...(isPersisted === null ? {} : { storage_persistent: isPersisted }),
    ...(battery ? { battery_per_cent: battery.perCent, charging: battery.isCharging } : {}),
  };
}
