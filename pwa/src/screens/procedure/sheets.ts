/** The sheets of the bedside; "" while none is open. */
export type SheetName = '' | 'skip' | 'event' | 'steps' | 'drawing';
