"""
Samples of each kind of file, to be filled in or simply tried: small, invented, and whole.

Read in the order of :data:`SAMPLES` they fill an empty store up to orders that can be picked, so their days
are counted from the day they are asked for.
"""

from datetime import date, timedelta

from rimekeep.stock.core.gs1 import sscc

# 952 is set aside by GS1 for examples.
_PREFIX = "9520009"

SAMPLES = {
    "zones": """\
code,name,kind,planned_c,slot_pitch_m,aisle_pitch_m,cross_aisle_offset_m
COLD,Cold room 4 °C (sample),store,4,1.4,4.2,2.0
STAGE,Staging 8 °C (sample),staging,8,,,
""",
    "bays": """\
zone,code,aisle,slot,level,check_code
COLD,A1-01,1,1,0,14
COLD,A1-02,1,2,0,86
COLD,A1-03,1,3,0,06
COLD,A2-01,2,1,0,57
COLD,A2-02,2,2,0,31
COLD,A2-03,2,3,0,72
""",
    "products": """\
sku,name,gtin,package,abv_pct,case_mass_kg,cases_per_layer,layers_per_pallet,pallet_tare_kg,footprint,carry_min_c,carry_max_c
LAGER-B24,"Lager, 24 bottles (sample)",,bottle,4.9,15.5,8,5,25,800x1200,1,8
PALE-C24,"Pale ale, 24 cans (sample)",,can,5.2,9.2,9,8,25,800x1200,1,8
""",
    "lots": """\
sku,lot,packaged_at,best_before_on,cases_made,released
LAGER-B24,L-201,{packaged}T06:00:00Z,{sooner},80,yes
LAGER-B24,L-202,{packaged}T14:00:00Z,{later},80,yes
PALE-C24,P-101,{packaged}T08:00:00Z,{later},72,yes
""",
    "units": """\
sscc,lot,sku,cases,zone,bay,received_at,start_core_c
{sscc1},L-201,LAGER-B24,40,COLD,A1-01,{received}T08:00:00Z,5
{sscc2},L-201,LAGER-B24,40,COLD,A1-02,{received}T08:10:00Z,5
{sscc3},L-202,LAGER-B24,40,COLD,A1-03,{received}T16:00:00Z,5
{sscc4},L-202,LAGER-B24,40,COLD,A2-01,{received}T16:10:00Z,5
{sscc5},P-101,PALE-C24,72,COLD,A2-02,{received}T10:00:00Z,5
""",
    "customers": """\
code,name,contact,phone,mail,address,min_life_days,no_backward_date,max_lots_per_line
INN,The inn (sample),,,,1 Sample Street,30,no,
SHOP,The shop (sample),,,,2 Sample Street,45,yes,2
""",
    "customer-rules": """\
customer,sku,min_life_days,no_backward_date,max_lots_per_line
SHOP,PALE-C24,60,yes,1
""",
    "drops": """\
customer,code,name,address,opens_at,closes_at
INN,YARD,Back yard of the inn (sample),1 Sample Street,06:00,11:30
""",
    "orders": """\
order,customer,ship_on,deliver_on,priority,drop,line,sku,cases,min_life_days
SO-1,INN,{today},{tomorrow},0,,1,LAGER-B24,44,
SO-1,INN,{today},{tomorrow},0,,2,PALE-C24,18,
SO-2,SHOP,{today},{tomorrow},0,,1,LAGER-B24,16,
""",
    "forecast": """\
sku,customer,day,cases
LAGER-B24,INN,{next_week},40
PALE-C24,,{next_week},90
""",
    "vehicles": """\
code,name,planned_c,kind,pallet,front_axle_x_mm,wheelbase_mm,front_tare_kg,rear_tare_kg,front_max_kg,rear_max_kg,payload_max_kg,gross_max_kg,rows,has_ramps
T1,Two-axle truck (sample),4,rigid,800x1200,-900,4900,4900,4600,7500,11500,8300,18000,500:2 1500:2 2500:2 3500:2,no
""",  # noqa: E501
    "sensors": """\
code,zone,interval_s,error_c,rank
cold-1,COLD,600,0.3,1
cold-2,COLD,600,0.5,2
""",
    "readings": """\
sensor,at,temp_c
cold-1,{received}T08:00:00Z,4.1
cold-1,{received}T08:10:00Z,4.0
cold-2,{received}T08:00:00Z,4.3
""",
    "forced-ageing": """\
sku,series,temp_c,day,score
LAGER-B24,TRIAL-1,20,0,8.0
LAGER-B24,TRIAL-1,20,30,6.9
LAGER-B24,TRIAL-1,30,30,5.4
""",
}


def sample(kind: str, today: date) -> str:
    """Return a sample of a kind of file, as of a day."""
    days = {
        "packaged": -4,
        "received": -3,
        "today": 0,
        "tomorrow": 1,
        "next_week": 7,
        "sooner": 120,
        "later": 150,
    }
    marks = {name: (today + timedelta(days=count)).isoformat() for name, count in days.items()}
    marks |= {f"sscc{number}": sscc(3, _PREFIX, number) for number in range(1, 6)}
    return SAMPLES[kind].format(**marks)
