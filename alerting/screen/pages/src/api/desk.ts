// What people do about alerts, and what they say of the railway.

import { all, answered, get, post, put, putCSV, remove, segment } from "./http.ts";
import type {
  Acknowledgements, Action, AreaJobs, Case, Entry, Fleet, Handover, List, MeritView, NewAct, NewPlace, NewRoutesPreview, NewWindow, Place,
  PlacesRead, Previewed, RatesView, Report, Route, Sending, Sign, TargetState, Window, WindowPreview,
} from "./shapes.ts";

/** A time from and after, until before to; RFC 3339. What is left out: as the API says. */
export interface Range {
  from?: string | undefined;
  to?: string | undefined;
}

export interface Page {
  cursor?: string | undefined;
  limit?: number | undefined;
}

type Asked = AbortSignal | undefined;

/** What the API wants in a query: none of what is undefined. */
const query = (o: object): Record<string, string | number | undefined> => ({ ...o }) as Record<string, string | number | undefined>;

/** The part of an address after ?, with the ?; "" where nothing is asked for. */
function tail(o: object): string {
  const q = new URLSearchParams();
  for (const [k, v] of Object.entries(o)) if (v !== undefined && v !== "") q.set(k, String(v));
  return q.size ? "?" + q.toString() : "";
}

// Alerts.

export type CasesAsked = Range & Page & { state?: "open" | "live" | "all"; turnout?: string | undefined };

export const readCases = (asked: CasesAsked = {}, signal?: Asked): Promise<List<Case>> => get("/alerts", query(asked), signal);

/** All that lives, what calls for someone first; more tells whether there is more than most. */
export const readLive = (most: number, turnout?: string, signal?: Asked): Promise<{ items: Case[]; more: boolean }> =>
  all("/alerts", { state: "live", turnout }, most, signal);

export const readCase = (id: string, signal?: Asked): Promise<Case> => get(`/alerts/${segment(id)}`, {}, signal);

export const actOn = (id: string, action: Action, body: NewAct = {}): Promise<Case> => answered(post(`/alerts/${segment(id)}/${action}`, body));

/** Acknowledges at most 1,000 alerts; what could not be is told beside. */
/** calls are, by alert, the call that was seen: one that has called again since is refused. */
export const acknowledgeAll = (ids: string[], calls: Record<string, number>, note?: string, by?: string): Promise<Acknowledgements> =>
  answered(post("/alerts/acknowledge", { ids, calls, note, by }));

export const readAlertJournal = (id: string, page: Page = {}, signal?: Asked): Promise<List<Entry>> =>
  get(`/alerts/${segment(id)}/journal`, query(page), signal);

export const readJournal = (asked: Range & Page & { turnout?: string | undefined } = {}, signal?: Asked): Promise<List<Entry>> =>
  get("/journal", query(asked), signal);

export const readSendings = async (id: string, signal?: Asked): Promise<Sending[]> =>
  (await get<List<Sending>>(`/alerts/${segment(id)}/sendings`, {}, signal)).items;

// The fleet.

/** more tells how many turnouts come after those that are told. */
export const readWorkList = (signal?: Asked): Promise<{ items: AreaJobs[]; more?: number }> => get("/worklist", {}, signal);

export const readFleet = (signal?: Asked): Promise<Fleet> => get("/fleet", {}, signal);

export const readPlaces = (asked: Page & { q?: string | undefined } = {}, signal?: Asked): Promise<List<Place>> => get("/places", query(asked), signal);

/** A 404 says that nothing was said of the turnout. */
export const readPlace = (turnout: string, signal?: Asked): Promise<Place> => get(`/places/${segment(turnout)}`, {}, signal);

export const savePlace = (turnout: string, place: NewPlace): Promise<Place> => answered(put(`/places/${segment(turnout)}`, place));

export const dropPlace = (turnout: string, by?: string): Promise<undefined> => remove(`/places/${segment(turnout)}${tail({ by })}`);

/** Makes the registry what a CSV file says; a Problem's details tell what is wrong, by line. */
export const sendPlaces = (csv: Blob | string, by?: string): Promise<PlacesRead> => answered(putCSV(`/places.csv${tail({ by })}`, csv));

// Windows.

export const readWindows = async (signal?: Asked): Promise<Window[]> => (await get<List<Window>>("/windows", {}, signal)).items;

export const addWindow = (w: NewWindow): Promise<Window> => answered(post("/windows", w));

export const changeWindow = (id: number, w: NewWindow): Promise<Window> => answered(put(`/windows/${id}`, w));

export const dropWindow = (id: number, by?: string): Promise<undefined> => remove(`/windows/${id}${tail({ by })}`);

export const previewWindow = (w: NewWindow): Promise<WindowPreview> => answered(post("/windows/preview", w));

// Who is told.

export const readRoutes = async (signal?: Asked): Promise<Route[]> => (await get<List<Route>>("/routes", {}, signal)).items;

export const previewRoutes = async (asked: NewRoutesPreview): Promise<Previewed[]> =>
  (await answered(post<List<Previewed>>("/routes/preview", asked))).items;

export const readTargets = async (signal?: Asked): Promise<TargetState[]> => (await get<List<TargetState>>("/targets", {}, signal)).items;

/** A Problem of status 502 says why the message did not get through. */
/** What the program needs, how that is, and what to do. */
export const readSigns = async (signal?: Asked): Promise<Sign[]> => (await get<List<Sign>>("/doctor", {}, signal)).items;

export const tryTarget = (name: string, by?: string): Promise<undefined> => post(`/targets/${segment(name)}/trial`, { by });

// Figures.

export const readRates = (asked: Range & { operators?: number | undefined } = {}, signal?: Asked): Promise<RatesView> =>
  get("/rates", query(asked), signal);

export const readMerit = (range: Range = {}, signal?: Asked): Promise<MeritView> => get("/merit", query(range), signal);

export const readHandover = (asked: Range & { operators?: number | undefined } = {}, signal?: Asked): Promise<Handover> =>
  get("/handover", query(asked), signal);

export const readReport = (asked: Range & { area?: string | undefined } = {}, signal?: Asked): Promise<Report> => get("/report", query(asked), signal);

// Files, as addresses for links.

export const placesFile = "/api/v1/places.csv";

export const alertsFile = (asked: Range & { turnout?: string | undefined } = {}): string => `/api/v1/exports/alerts.csv${tail(asked)}`;

export const featuresFile = (turnout: string, range: Range = {}): string => `/api/v1/exports/features.csv${tail({ turnout, ...range })}`;

export const workFile = (range: Range = {}): string => `/api/v1/exports/work.csv${tail(range)}`;
