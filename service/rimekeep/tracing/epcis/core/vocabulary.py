"""The fields' words of EPCIS 2.0 and CBV 2.0, as the standard's JSON schema lists them (github gs1/EPCIS)."""


def _words(listed: str) -> frozenset[str]:
    return frozenset(listed.split())


ACTIONS = frozenset({"OBSERVE", "ADD", "DELETE"})
BIZ_STEPS = _words(
    """
    accepting arriving assembling collecting commissioning consigning creating_class_instance
    cycle_counting decommissioning departing destroying disassembling dispensing encoding
    entering_exiting holding inspecting installing killing loading other packing picking receiving
    removing repackaging repairing replacing reserving retail_selling shipping staging_outbound
    stock_taking stocking storing transporting unloading unpacking void_shipping sensor_reporting
    sampling
    """
)
DISPOSITIONS = _words(
    """
    active container_closed damaged destroyed dispensed disposed encoded expired in_progress in_transit
    inactive no_pedigree_match non_sellable_other partially_dispensed recalled reserved retail_sold
    returned sellable_accessible sellable_not_accessible stolen unknown available completeness_verified
    completeness_inferred conformant container_open mismatch_instance mismatch_class mismatch_quantity
    needs_replacement non_conformant unavailable
    """
)
TRANSACTION_TYPES = _words(
    """
    bol cert desadv inv pedigree po poc prodorder recadv rma testprd testres upevt
    """
)
PARTY_TYPES = frozenset({"owning_party", "possessing_party", "location"})
ERROR_REASONS = frozenset({"did_not_occur", "incorrect_data"})
MEASUREMENTS = _words(
    """
    AbsoluteHumidity AbsorbedDose AbsorbedDoseRate Acceleration Radioactivity Altitude AmountOfSubstance
    AmountOfSubstancePerUnitVolume Angle AngularAcceleration AngularMomentum AngularVelocity Area
    Capacitance Conductance Conductivity Count Density Dimensionless DoseEquivalent DoseEquivalentRate
    DynamicViscosity ElectricCharge ElectricCurrent ElectricCurrentDensity ElectricFieldStrength Energy
    Exposure Force Frequency Illuminance Inductance Irradiance KinematicViscosity Length LinearMomentum
    Luminance LuminousFlux LuminousIntensity MagneticFlux MagneticFluxDensity MagneticVectorPotential
    Mass MassConcentration MassFlowRate MassPerAreaTime MemoryCapacity MolalityOfSolute MolarEnergy
    MolarMass MolarVolume Power Pressure RadiantFlux RadiantIntensity RelativeHumidity Resistance
    Resistivity SolidAngle SpecificVolume Speed SurfaceDensity SurfaceTension Temperature Time Torque
    Voltage Volume VolumeFlowRate VolumeFraction VolumetricFlux Wavenumber
    """
)
COMPONENTS = _words(
    """
    x y z axial_distance azimuth height spherical_radius polar_angle elevation_angle easting northing
    latitude longitude altitude
    """
)
ALERTS = frozenset({"ALARM_CONDITION", "ERROR_CONDITION"})
