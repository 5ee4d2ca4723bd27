// The shapes of the API: what its description says, under short names. The
// types are made by build.sh.

import type { components } from "../../made/api.d.ts";

type Shapes = components["schemas"];

export interface List<T> {
  items: T[];
  next?: string;
}

export type End = Shapes["Throw"]["to"];
export type Priority = Shapes["Alert"]["priority"];
export type Standing = Shapes["Case"]["standing"];
export type CauseName = NonNullable<Shapes["NewFound"]["cause"]>;
export type Condition = Shapes["PreviewRoutesInputBody"]["condition"];
export type Column = Shapes["Series"]["value"];

export type AlertEvent = Shapes["Event"];
export type NewRoutesPreview = Shapes["PreviewRoutesInputBody"];
export type Alert = Shapes["Alert"];
export type Case = Shapes["Case"];
export type Cause = Shapes["Cause"];
export type Forecast = Shapes["Forecast"];
export type Handling = Shapes["Handling"];
export type Found = Shapes["Found"];
export type Place = Shapes["Place"];
export type Match = Shapes["Match"];
export type Learning = Shapes["Learning"];
export type Turnout = Shapes["Turnout"];
export type TurnoutDetail = Shapes["TurnoutDetail"];
export type Work = Shapes["Work"];
export type Verdict = Shapes["Verdict"];
export type Notice = Shapes["Notice"];
export type FeatureValue = Shapes["FeatureValue"];
export type Phase = Shapes["Phase"];
export type Past = Shapes["Past"];
export type Trace = Shapes["Trace"];
export type Throw = Shapes["Throw"];
export type ThrowDetail = Shapes["ThrowDetail"];
export type Channel = Shapes["Channel"];
export type Series = Shapes["Series"];
export type TrendEnd = Shapes["TrendEnd"];
export type Trends = Shapes["Trends"];
export type Trend = Shapes["Trend"];
export type Likeness = Shapes["Likeness"];
export type Reason = Shapes["Reason"];
export type SetAside = Shapes["SetAside"];
export type SetAsideDetail = Shapes["SetAsideDetail"];
export type Cabinet = Shapes["Cabinet"];
export type Status = Shapes["Status"];
export type ThrowSummary = Shapes["ThrowSummary"];
export type Entry = Shapes["Entry"];
export type Sending = Shapes["Sending"];
export type Acknowledgements = Shapes["Acknowledgements"];
export type NotDone = Shapes["NotDone"];
export type NewAct = Shapes["NewAct"];
export type NewFound = Shapes["NewFound"];
export type NewMatch = Shapes["NewMatch"];
export type NewPlace = Shapes["NewPlace"];
export type PlacesRead = Shapes["PlacesRead"];
export type NewWindow = Shapes["NewWindow"];
export type Window = Shapes["Window"];
export type WindowPreview = Shapes["WindowPreview"];
export type Route = Shapes["Route"];
export type Escalation = Shapes["Escalation"];
export type Hours = Shapes["Hours"];
export type Previewed = Shapes["Previewed"];
export type TargetState = Shapes["TargetState"];
export type Job = Shapes["Job"];
export type AreaJobs = Shapes["AreaJobs"];
export type Fleet = Shapes["Fleet"];
export type Figure = Shapes["Figure"];
export type Rates = Shapes["Rates"];
export type RatesView = Shapes["RatesView"];
export type Merit = Shapes["Merit"];
export type MeritView = Shapes["MeritView"];
export type Lead = Shapes["Lead"];
export type Handover = Shapes["Handover"];
export type FiledWork = Shapes["FiledWork"];
export type Report = Shapes["Report"];
export type AreaReport = Shapes["AreaReport"];
export type WorstTurnout = Shapes["WorstTurnout"];
export type QuietTurnout = Shapes["QuietTurnout"];
export type Count = Shapes["Count"];
export type Sign = Shapes["Sign"];

/** What a person may do to an alert. */
export type Action = "acknowledge" | "shelve" | "unshelve" | "note" | "judge" | "reopen";
